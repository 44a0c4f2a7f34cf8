"""Seconds, memory and errors, measured alike in every script."""

from __future__ import annotations

import importlib.metadata
import platform
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

UM = 1000.0
WARM_S = 0.2
"""A processor that has rested is slow at first: calls go on unmeasured for so long."""


@dataclass(frozen=True)
class Timed:
    """Best and median seconds of some repeats, how many, and what the last one returned."""

    best_s: float
    median_s: float
    repeats: int
    result: Any


def timed(call: Callable[[], Any], repeats: int = 5, limit_s: float = 30.0) -> Timed:
    """Return the times of a call; no new repeat begins after the limit.

    The first call is not counted, unless it alone takes more than half of the limit.
    """
    start = time.perf_counter()
    result = call()
    first_s = time.perf_counter() - start
    if first_s > 0.5 * limit_s:
        return Timed(first_s, first_s, 1, result)
    while time.perf_counter() - start < WARM_S:
        call()
    seconds: list[float] = []
    while len(seconds) < repeats and (not seconds or time.perf_counter() - start < limit_s):
        before = time.perf_counter()
        result = call()
        seconds.append(time.perf_counter() - before)
    return Timed(min(seconds), float(np.median(seconds)), len(seconds), result)


def header(title: str, libraries: Sequence[str] = ()) -> None:
    """Print what ran: processor, threads, versions. For scripts that have loaded the kernels."""
    from numba import get_num_threads  # noqa: PLC0415

    versions = [f"{name} {version_of(name)}" for name in ("numpy", "numba", *libraries)]
    print(f"{title}\n{processor()}, {get_num_threads()} threads, python "
          f"{platform.python_version()}, {', '.join(versions)}", flush=True)  # fmt: skip


def processor() -> str:
    """Return the name of the processor."""
    info = Path("/proc/cpuinfo")
    for line in info.read_text().splitlines() if info.exists() else ():
        if line.startswith("model name"):
            return line.split(":", 1)[1].strip()
    return platform.processor() or platform.machine()


def version_of(distribution: str) -> str:
    """Return the version of an installed distribution, or 'not installed'."""
    try:
        return importlib.metadata.version(distribution)
    except importlib.metadata.PackageNotFoundError:
        return "not installed"


def peak_mb(call: Callable[[], Any]) -> tuple[Any, float]:
    """Return what a call returns and by how much it raised this process's memory at its peak, MB.

    NaN where the system does not say. Memory that was freed before the call may be used again by
    it, so this belongs in a fresh process.
    """
    status = Path("/proc/self/status")
    if not status.exists():
        return call(), float("nan")
    Path("/proc/self/clear_refs").write_text("5")
    before = _status_mb("VmRSS")
    result = call()
    return result, _status_mb("VmHWM") - before


def _status_mb(key: str) -> float:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(key + ":"):
            return int(line.split()[1]) * 1024 / 1e6
    return float("nan")


@dataclass(frozen=True)
class Errors:
    """Largest, 99.9 % and median error (um); shares (%) of wrong signs and of unknown values."""

    largest_um: float
    most_um: float
    median_um: float
    wrong_percent: float
    unknown_percent: float


def errors(
    values: np.ndarray, truth: np.ndarray, *, signed: bool = True, side_mm: float = 1e-5
) -> Errors:
    """Return the errors of distances (n,), mm.

    Sizes are compared; a sign counts where the truth is farther than `side_mm` from the surface.
    Values that are not known enter none of the errors.
    """
    known = np.isfinite(values)
    v, t = values[known], truth[known]
    if len(v) == 0:
        return Errors(np.nan, np.nan, np.nan, np.nan, 100.0)
    error = UM * np.abs(np.abs(v) - np.abs(t))
    wrong = 100 * np.mean((np.sign(v) != np.sign(t)) & (np.abs(t) > side_mm)) if signed else np.nan
    return Errors(
        float(error.max()),
        float(np.quantile(error, 0.999)),
        float(np.median(error)),
        float(wrong),
        100 * float(1 - known.mean()),
    )


def straight_line(x: Sequence[float], y: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    """Return the line a + b x (2,) nearest to y in shares of y, and by how much y leaves it, %."""
    x, y = np.asarray(x, float), np.asarray(y, float)
    line, *_ = np.linalg.lstsq(np.stack([1 / y, x / y], 1), np.ones(len(y)), rcond=None)
    return line, 100 * (y / (line[0] + line[1] * x) - 1)
