"""The only module that imports numba: compilation settings and the cache, in one place.

The cache folder is keyed by a digest of every kernel's source: numba does not notice that a
function called from another file has changed, so a stale cache could return old numbers.
"""

import hashlib
import os
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import ParamSpec, TypeVar

# On a busy machine a waiting thread that spins costs more than the work it waits for.
os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")

import numba
import numpy as np
from numba import prange
from numba.core import event

P = ParamSpec("P")
R = TypeVar("R")

__all__ = [
    "cache_folder",
    "compile_seconds",
    "is_cache_empty",
    "kernel",
    "parallel_kernel",
    "prange",
    "set_threads",
    "thread_count",
    "threads_may_share",
]


def _digest() -> str:
    state = hashlib.sha256(numba.__version__.encode())
    for path in sorted(Path(__file__).parent.glob("*.py")):
        state.update(path.name.encode())
        state.update(path.read_bytes())
    return state.hexdigest()[:16]


def cache_folder() -> Path:
    """Return the folder of compiled kernels: a user cache folder, or a temporary one."""
    home = os.environ.get("OCCLUSIM_CACHE") or os.environ.get("XDG_CACHE_HOME")
    root = Path(home) if home else Path.home() / ".cache"
    folder = root / "occlusim" / "kernels" / _digest()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        folder = Path(tempfile.gettempdir()) / "occlusim" / "kernels" / _digest()
        folder.mkdir(parents=True, exist_ok=True)
    return folder


numba.config.CACHE_DIR = str(cache_folder())  # pyright: ignore[reportAttributeAccessIssue, reportPrivateImportUsage]


class _CompileClock(event.Listener):
    """Seconds spent in compiling; a kernel compiled for another one counts once."""

    def __init__(self) -> None:
        self.seconds = 0.0
        self._depth = 0
        self._start = 0.0

    def on_start(self, event: object) -> None:  # noqa: ARG002
        if self._depth == 0:
            self._start = time.perf_counter()
        self._depth += 1

    def on_end(self, event: object) -> None:  # noqa: ARG002
        self._depth -= 1
        if self._depth == 0:
            self.seconds += time.perf_counter() - self._start


_clock = _CompileClock()
event.register("numba:compile", _clock)


def compile_seconds() -> float:
    """Return the seconds that this process has spent in compiling kernels."""
    return _clock.seconds


def is_cache_empty() -> bool:
    """Return whether no kernel has been compiled for this version of the sources yet."""
    return not any(cache_folder().rglob("*.nbc"))


def kernel(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a scalar or serial kernel: NaN survives, division by zero gives infinity."""
    return numba.njit(cache=True, error_model="numpy", fastmath=False, nogil=True)(function)


def parallel_kernel(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a kernel whose outer `prange` loop writes one element an iteration."""
    return numba.njit(cache=True, error_model="numpy", fastmath=False, parallel=True, nogil=True)(
        function
    )


def set_threads(n: int) -> None:
    """Use `n` threads in parallel kernels."""
    numba.set_num_threads(n)


def thread_count() -> int:
    """Return the number of threads that parallel kernels use."""
    return int(numba.get_num_threads())


@parallel_kernel
def _count(out):
    for i in prange(len(out)):
        out[i] = i


def threads_may_share() -> bool:
    """Return whether several threads may call parallel kernels at once.

    Numba's own work queue, its last resort where neither OpenMP nor TBB is found, may not be
    entered twice.
    """
    _count(np.empty(2))
    layer = numba.threading_layer()  # pyright: ignore[reportPrivateImportUsage]
    return layer in ("omp", "tbb")
