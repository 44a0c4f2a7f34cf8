"""The only module that imports numba: compilation settings and the cache, in one place.

The cache folder is keyed by a digest of every kernel's source: numba does not notice that a
function called from another file has changed, so a stale cache could return old numbers.
"""

import functools
import gc
import hashlib
import os
import tempfile
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, Concatenate, NoReturn, ParamSpec, TypeVar, cast

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
    "inner_kernel",
    "is_cache_empty",
    "kernel",
    "parallel_kernel",
    "prange",
    "set_threads",
    "shared_kernel",
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
    """Seconds spent in compiling; a kernel compiled for another one counts once.

    The garbage collector rests meanwhile: it would go over the compiler's millions of objects again
    and again, up to a tenth of the time, and find little.
    """

    def __init__(self) -> None:
        self.seconds = 0.0
        self._depth = 0
        self._start = 0.0
        self._collects = False

    def on_start(self, event: object) -> None:  # noqa: ARG002
        if self._depth == 0:
            self._start = time.perf_counter()
            self._collects = gc.isenabled()
            gc.disable()
        self._depth += 1

    def on_end(self, event: object) -> None:  # noqa: ARG002
        self._depth -= 1
        if self._depth == 0:
            self.seconds += time.perf_counter() - self._start
            if self._collects:
                gc.enable()


_clock = _CompileClock()
event.register("numba:compile", _clock)


def compile_seconds() -> float:
    """Return the seconds that this process has spent in compiling kernels."""
    return _clock.seconds


def is_cache_empty() -> bool:
    """Return whether no kernel has been compiled for this version of the sources yet."""
    return not any(cache_folder().rglob("*.nbc"))


# NaN survives, division by zero gives infinity. Nobody calls a kernel from C.
_OPTIONS: dict[str, Any] = {
    "cache": True,
    "error_model": "numpy",
    "fastmath": False,
    "nogil": True,
    "no_cfunc_wrapper": True,
}


def _compiled(function: Callable[P, R], **more: Any) -> Callable[P, R]:
    return numba.njit(**_OPTIONS, **more)(function)


def kernel(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a serial kernel that Python code may call."""
    return _compiled(function)


class _Inner:
    """A compiled function that kernels may call and Python may not: it has no way in from there."""

    def __init__(self, function: Callable[..., Any]) -> None:
        functools.update_wrapper(self, function)
        self._compiled = _compiled(function, no_cpython_wrapper=True)
        # What numba asks an object for whose type it does not know.
        self._numba_type_ = self._compiled._numba_type_  # pyright: ignore[reportFunctionMemberAccess]

    def __call__(self, *_: object) -> NoReturn:
        raise TypeError(f"{self.__name__} is for kernels only")  # pyright: ignore[reportAttributeAccessIssue]


def inner_kernel(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a kernel that only kernels call; without a way in from Python it compiles faster."""
    return cast("Callable[P, R]", _Inner(function))


def parallel_kernel(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a kernel whose outer `prange` loop writes one element an iteration.

    It is compiled four times over, with all that it calls: see `shared_kernel`.
    """
    return _compiled(function, parallel=True)


def shared_kernel(
    least: int,
) -> Callable[[Callable[Concatenate[int, int, P], None]], Callable[Concatenate[int, P], None]]:
    """Compile a kernel over `range(first, stop)`, and share range(n) among threads.

    The kernel's first two arguments are `first` and `stop`; what comes back takes n in their place.
    Every turn of the loop must write its own elements only. `least` turns are worth a thread's
    while: some tenths of a millisecond.
    """

    def decorate(
        function: Callable[Concatenate[int, int, P], None],
    ) -> Callable[Concatenate[int, P], None]:
        serial = kernel(function)

        @functools.wraps(function)
        def shared(n: int, /, *arguments: P.args, **named: P.kwargs) -> None:
            n = int(n)
            n_threads = thread_count()
            n_pieces = min(PIECES_PER_THREAD * n_threads, n // least)
            if n_threads < 2 or n_pieces < 2:
                serial(0, n, *arguments, **named)
                return
            pieces = deque((n * k // n_pieces, n * (k + 1) // n_pieces) for k in range(n_pieces))

            def work() -> None:
                while True:
                    try:
                        first, stop = pieces.popleft()
                    except IndexError:
                        return
                    serial(first, stop, *arguments, **named)

            helpers = [_pool.submit(work) for _ in range(min(n_threads, n_pieces) - 1)]
            try:
                work()
            finally:
                pieces.clear()
                # One that has not begun finds nothing left; one that has must end first.
                waited = [helper for helper in helpers if not helper.cancel()]
                for helper in waited:
                    helper.result()

        return shared

    return decorate


PIECES_PER_THREAD = 8
_pool = ThreadPoolExecutor(numba.config.NUMBA_NUM_THREADS, thread_name_prefix="kernel")  # pyright: ignore[reportAttributeAccessIssue, reportPrivateImportUsage]


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
