"""The output folder: whole or not at all, and the results as JSON and CSV.

Everything is written into a hidden folder beside the target (inside it, where it exists already),
on the same file system, and moved into place when it is whole. A run that fails, is interrupted or
killed leaves what was in the target as it was; its hidden folder is removed by the next run.
"""

from __future__ import annotations

import csv
import glob
import json
import math
import os
import platform
import re
import shutil
import tempfile
import time
from collections.abc import Iterable, Mapping
from enum import Enum
from importlib.resources import files as package_files
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np

from occlusim.errors import OutputError

SPOT_COLUMNS = (
    "id",
    "movement",
    "depth_um",
    "normal_depth_um",
    "area_mm2",
    "volume_mm3",
    "x_mm",
    "y_mm",
    "z_mm",
    "location",
    "thickness_left_mm",
    "feasible",
    "shortfall_um",
    "order",
    "left_high_um",
)

OUTPUT_NAMES = (
    "results.json",
    "spots.csv",
    "crown_gap.ply",
    "crown_reduction.ply",
    "crown_adjusted.stl",
    "crown_adjusted.ply",
    "crown_removed.ply",
    "upper_gap.ply",
    "lower_gap.ply",
    "report.html",
    "pictures/*.png",
    *(
        name.format("_[1-4][1-8]")
        for name in (
            "spots{}.csv",
            "crown_gap{}.ply",
            "crown_reduction{}.ply",
            "crown_adjusted{}.stl",
            "crown_adjusted{}.ply",
            "report{}.html",
            "pictures{}/*.png",
        )
    ),
    "lower_in_upper.ply",
    "bite_*_in_upper.ply",
)
"""What a run may write into its folder; a further crown's files have its tooth in their names."""

_MARK = ".occlusim-"
_DAY_S = 86400.0
_live: set[Path] = set()


class OutputFolder:
    """A folder that is filled aside and appears when the ``with`` block ends without an error.

    Inside the block write to `work`; afterwards everything lies in `target`. Where the target held
    an earlier result, its ``results.json`` goes first and the new one comes last, so that no
    results ever stand beside files of another run; files of `OUTPUT_NAMES` that the new run did
    not write are removed, and all others are left alone.

    Parameters
    ----------
    target : Path or str
        May exist or not; the folder it stands in is made if needed.

    Raises
    ------
    OutputError
        If the folder cannot be made or written, when the block is entered or left.
    """

    def __init__(self, target: Path | str) -> None:
        self.target = Path(target)
        self._work: Path | None = None

    @property
    def work(self) -> Path:
        """The folder to write to, inside the block."""
        if self._work is None:
            raise OutputError(f"{self.target}: write to the folder inside its with block")
        return self._work

    def __enter__(self) -> Self:
        try:
            target = self.target.resolve()
            if target.exists() and not target.is_dir():
                raise OutputError(f"{target}: is a file, a folder is wanted; give another name")
            target.parent.mkdir(parents=True, exist_ok=True)
            # An existing folder may be on a file system of its own: only inside it can files be
            # moved in one step.
            home = target if target.is_dir() else target.parent
            for place in {home, target.parent}:
                _remove_leftovers(place, target.name)
            self._work = Path(tempfile.mkdtemp(prefix=f"{_owner()}{target.name}-", dir=home))
            _live.add(self._work)
        except OSError as error:
            self._discard()
            raise _cannot_write(self.target, error) from None
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if kind is None:
                self._move_into_place()
        except OSError as problem:
            raise _cannot_write(self.target, problem) from None
        finally:
            self._discard()

    def _move_into_place(self) -> None:
        work, target = self.work, self.target.resolve()
        for path in work.rglob("*"):
            if path.is_file():
                _to_disk(path)
        if not target.exists():
            work.chmod(0o777 & ~_umask())
            work.rename(target)
            return
        (target / "results.json").unlink(missing_ok=True)
        new = {path.relative_to(work) for path in work.rglob("*") if path.is_file()}
        for pattern in OUTPUT_NAMES:
            for old in list(target.glob(pattern)):
                if old.relative_to(target) not in new:
                    old.unlink()
        for name in sorted(new, key=lambda name: (name.name == "results.json", name)):
            final = target / name
            final.parent.mkdir(parents=True, exist_ok=True)
            (work / name).replace(final)

    def _discard(self) -> None:
        if self._work is not None:
            shutil.rmtree(self._work, ignore_errors=True)
            _live.discard(self._work)
            self._work = None


def _to_disk(path: Path) -> None:
    """Have the system write a file out, so that its name never outlives its bytes."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _cannot_write(path: Path, error: OSError) -> OutputError:
    reason = error.strerror or str(error)
    return OutputError(f"{path}: cannot be written ({reason}); check rights and space, or the name")


def _owner(pid: int | str | None = None) -> str:
    """Return how the names of this machine's and process's working folders begin."""
    machine = re.sub(r"[^A-Za-z0-9]", "_", platform.node())[:32]
    return f"{_MARK}{machine}-{os.getpid() if pid is None else pid}-"


def _remove_leftovers(parent: Path, name: str) -> None:
    """Remove working folders of this target whose process on this machine is gone."""
    for folder in parent.glob(f"{_owner('*')}{glob.escape(name)}-*"):
        pid = folder.name.split("-")[2]
        if pid.isdigit() and folder not in _live and not _is_in_use(folder, int(pid)):
            shutil.rmtree(folder, ignore_errors=True)


def _is_in_use(folder: Path, pid: int) -> bool:
    if pid == os.getpid():
        return False  # an earlier process of the same number, as in a container
    if os.name == "nt":  # there a process cannot be asked without ending it
        return time.time() - folder.stat().st_mtime < _DAY_S
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def plain(value: Any) -> Any:
    """Return a value as JSON knows it: numbers that are none become None, arrays lists.

    Raises
    ------
    OutputError
        If a value is of a kind that JSON does not know.
    """
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, np.generic | np.ndarray):
        return plain(value.tolist())
    if isinstance(value, Enum):
        return plain(value.value)
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, Path):
        return value.as_posix()
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    raise OutputError(
        f"results: {type(value).__name__} cannot be written as JSON; give plain values"
    )


def write_results(folder: Path | str, results: Mapping[str, Any]) -> Path:
    """Write ``results.json`` into a folder and return its path.

    NaN and infinity become null, keys keep their order, the text ends with a line end.

    Raises
    ------
    OutputError
        If the file cannot be written, or a value cannot be put into JSON.
    """
    path = Path(folder) / "results.json"
    text = json.dumps(plain(results), indent=2, ensure_ascii=False, allow_nan=False)
    try:
        path.write_text(text + "\n", encoding="utf-8", newline="\n")
    except OSError as error:
        raise _cannot_write(path, error) from None
    return path


def results_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of ``results.json``, which ships with the package."""
    text = package_files("occlusim.files").joinpath("results.schema.json").read_text("utf-8")
    return json.loads(text)


def validate_results(results: Mapping[str, Any]) -> None:
    """Check results against the published schema.

    Raises
    ------
    OutputError
        With the place and the reason of each disagreement.

    Notes
    -----
    Needs the package jsonschema, which comes with the test extra.
    """
    from jsonschema import Draft202012Validator  # noqa: PLC0415

    errors = sorted(
        Draft202012Validator(results_schema()).iter_errors(plain(results)),
        key=lambda error: [str(part) for part in error.absolute_path],
    )
    if errors:
        lines = [f"{error.json_path}: {error.message[:200]}" for error in errors]
        raise OutputError("results do not agree with their schema:\n" + "\n".join(lines))


def write_spots_csv(path: Path | str, spots: Iterable[Mapping[str, Any]]) -> None:
    """Write high spots, one a row, in the columns of `SPOT_COLUMNS`.

    Parameters
    ----------
    path : Path or str
    spots : iterable of mappings
        As in ``results.json``; ``centroid_mm`` is written as three columns, unknown as empty.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    try:
        with Path(path).open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(SPOT_COLUMNS)
            for spot in spots:
                row = plain(spot)
                place = row.get("centroid_mm") or [None, None, None]
                row = {**row, **dict(zip(("x_mm", "y_mm", "z_mm"), place, strict=True))}
                writer.writerow(_cell(row.get(column)) for column in SPOT_COLUMNS)
    except OSError as error:
        raise _cannot_write(Path(path), error) from None


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    return str(value)
