"""Seconds by stage, and who is told that a stage begins."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Progress = Callable[[str], None]


class Clock:
    """Seconds by stage, in the order of the run."""

    def __init__(self, progress: Progress) -> None:
        self.seconds: dict[str, float] = {}
        self._progress = progress

    @contextmanager
    def stage(self, name: str, words: str) -> Iterator[None]:
        """Time a stage and say that it begins."""
        self._progress(words)
        start = time.perf_counter()
        yield
        self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - start
