"""Built fields on disk: saved and loaded without pickle, and a cache folder of limited size."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
import zipfile
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from occlusim.arrays import frozen
from occlusim.errors import InputError
from occlusim.geometry.mesh import TriangleMesh
from occlusim.geometry.surface import Surface
from occlusim.kernels.band import NODES
from occlusim.sdf.build import build_sdf
from occlusim.sdf.field import SdfSettings, SparseSdf

FORMAT = 1
"""Raised whenever files of before can no longer be read, or mean something else."""

SUFFIX = ".sdf.npz"
READ_PROBLEMS = (
    OSError,
    EOFError,
    ValueError,
    KeyError,
    TypeError,
    AttributeError,
    zipfile.BadZipFile,
)
LAYOUT = {
    "lattice": (np.float64, (5,)),
    "block_index": (np.int32, (-1, -1, -1)),
    "octants": (np.int32, (-1, 8)),
    "nodes": (np.int16, (-1, NODES**3)),
    "plane": (np.float32, (-1, 5)),
}


def field_key(
    mesh: TriangleMesh, settings: SdfSettings | None = None, meeting: ArrayLike | None = None
) -> str:
    """Return the key of a field: a digest of the mesh, the settings and the format, in hex."""
    state = hashlib.sha256(f"occlusim field {FORMAT}".encode())
    chosen = asdict(settings or SdfSettings())
    chosen.pop("memory_limit_mb")
    state.update(json.dumps(chosen, sort_keys=True).encode())
    arrays = [mesh.vertices, mesh.faces]
    if meeting is not None:
        arrays.append(np.ascontiguousarray(meeting, dtype=np.float64))
    for array in arrays:
        state.update(f"{array.dtype.str} {array.shape}".encode())
        state.update(np.ascontiguousarray(array).tobytes())
    return state.hexdigest()


def save_sdf(path: str | Path, field: SparseSdf, key: str = "") -> None:
    """Write a field to a file, whole or not at all.

    Parameters
    ----------
    path
        Its name is taken as it is given; `.sdf.npz` is the usual ending.
    field : SparseSdf
    key
        What the field was built from, see `field_key`; checked when it is loaded.
    """
    path = Path(path)
    head = json.dumps({"format": FORMAT, "key": key, "band_mm": field.band_mm})
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=path.name, suffix=".part")
    try:
        with os.fdopen(handle, "wb") as out:
            np.savez(
                out,
                allow_pickle=False,
                head=np.array(head),
                **{part: getattr(field, part) for part in LAYOUT},
            )
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def load_sdf(path: str | Path, key: str = "") -> SparseSdf:
    """Return a field from a file that `save_sdf` has written.

    Parameters
    ----------
    path
    key
        Where given, the file must have been saved under it.

    Raises
    ------
    InputError
        If the file is missing, broken, of another format, or of another key.
    """
    path = Path(path)
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as archive:
            head = json.loads(str(archive["head"]))
            if head.get("format") != FORMAT:
                raise InputError(
                    f"{path}: field of format {head.get('format')} given, {FORMAT} wanted; build "
                    "it again"
                )
            arrays = {part: archive[part] for part in LAYOUT}
            band_mm = float(head["band_mm"])
            found = head["key"]
    except InputError:
        raise
    except READ_PROBLEMS as problem:
        raise InputError(
            f"{path}: not a distance field that can be read ({problem}); build it again"
        ) from problem
    if key and found != key:
        raise InputError(
            f"{path}: the field was built from another mesh or with other settings; build it again"
        )
    for part, (dtype, shape) in LAYOUT.items():
        array = arrays[part]
        fits = array.ndim == len(shape) and all(
            want in (-1, size) for want, size in zip(shape, array.shape, strict=True)
        )
        if array.dtype != dtype or not fits:
            raise InputError(
                f"{path}: {part} of {array.dtype} {array.shape} given, {np.dtype(dtype)} {shape} "
                "wanted; build it again"
            )
    field = SparseSdf(
        band_mm=band_mm,
        **{part: frozen(arrays[part], dtype) for part, (dtype, _) in LAYOUT.items()},
    )
    _refuse_dangling(path, field)
    return field


def _refuse_dangling(path: Path, field: SparseSdf) -> None:
    """Raise where the index names rows that are not there: kernels do not look."""
    n_rows, n_octants = len(field.nodes), len(field.octants)
    rows = np.arange(n_octants)[:, None]
    for code in (field.block_index, field.octants):
        bad = (code >= n_rows) | (-2 - code >= n_octants)
        if code is field.octants:
            # Octants name later ones only, so that no descent goes round in a circle.
            bad |= (code < -1) & (-2 - code <= rows)
        if bad.any():
            raise InputError(f"{path}: the index names blocks that are not there; build it again")
    sane = np.isfinite(field.lattice).all() and field.voxel_mm > 0 and field.band_mm > 0
    if len(field.plane) != n_rows or not sane:
        raise InputError(f"{path}: its parts do not belong together; build it again")


@dataclass(frozen=True, slots=True)
class FieldCache:
    """A folder of built fields; the longest unused are dropped when it grows past its limit.

    Parameters
    ----------
    folder : Path
        Made where it is missing. Other files in it are left alone.
    limit_mb
        Most that the fields may take together.
    """

    folder: Path
    limit_mb: float = 2000.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.limit_mb) and self.limit_mb > 0):
            raise InputError(f"field cache: limit_mb = {self.limit_mb} given, above 0 wanted")

    def field(
        self,
        surface: Surface,
        settings: SdfSettings | None = None,
        meeting: ArrayLike | None = None,
    ) -> SparseSdf:
        """Return the field of a surface: from the folder, or built and kept there.

        A file that cannot be read is built anew; a folder that cannot be written is done without.
        """
        key = field_key(surface.mesh, settings, meeting)
        path = Path(self.folder) / f"{key[:32]}{SUFFIX}"
        try:
            found = load_sdf(path, key)
            path.touch()
        except (InputError, OSError):
            found = build_sdf(surface, settings, meeting)
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
                save_sdf(path, found, key)
                self._shrink(path)
            except OSError:
                return found
        return found

    def _shrink(self, newest: Path) -> None:
        """Drop the longest unused fields until the rest fit; the newest one stays if it can."""
        entries = []
        for path in newest.parent.glob(f"*{SUFFIX}"):
            try:
                state = path.stat()
            except FileNotFoundError:
                continue
            entries.append((path == newest, state.st_mtime, state.st_size, path))
        total = 0
        for _, _, size, path in sorted(entries, key=lambda e: (not e[0], -e[1])):
            total += size
            if total > 1e6 * self.limit_mb:
                path.unlink(missing_ok=True)
