"""Pictures of a case as PNG files, drawn without a display in a child process.

The drawing library (VTK, through PyVista) ends the whole process where the system lacks OpenGL
libraries. So the drawing is done by a child: if it dies, hangs or fails, the run goes on, the
pictures are left out, and a finding says how to get them.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from occlusim.errors import OutputError
from occlusim.geometry.mesh import PaintedMesh
from occlusim.geometry.scan_check import Finding
from occlusim.report.meshes import Orientation, ReportMeshes, in_upper_frame
from occlusim.report.numbers import numbered_spots, plain
from occlusim.report.words import WORDS

TIME_LIMIT_S = 180.0
LEAST_CONTACT_MM2 = 0.05
"""Smaller contacts get no ring: they are not told from noise."""

MESHES = ("crown", "adjusted", "upper", "lower")


def write_pictures(
    folder: str | Path,
    results: Mapping[str, Any],
    meshes: ReportMeshes,
    orientation: ArrayLike | Orientation,
    *,
    python: str = sys.executable,
    time_limit_s: float = TIME_LIMIT_S,
) -> tuple[list[Path], list[Finding]]:
    """Draw the pictures of a case into a folder, which is made where it is missing.

    Parameters
    ----------
    folder : where the PNG files go
    results : the content of ``results.json``
    meshes : as for the report
    orientation : (3, 3), unit length, upper scan's coordinates
        Rows: patient's right, anterior, superior.
    python : the Python that draws
    time_limit_s : after this the child is ended

    Returns
    -------
    paths : the files written; none where drawing does not work here
    findings : one of code ``pictures_left_out`` where there are none

    Raises
    ------
    OutputError
        If the folder cannot be written.
    """
    with tempfile.TemporaryDirectory(prefix="occlusim-pictures-") as name:
        work = Path(name)
        _hand_over(work, plain(results), meshes, Orientation.of(orientation))
        reason = _draw(work, python, time_limit_s)
        drawn = sorted(work.glob("*.png"))
        if reason is None and not drawn:
            reason = WORDS["pictures_none_drawn"]
        if reason is not None:
            message = WORDS["pictures_left_out"].format(reason=reason)
            return [], [Finding("warning", "pictures_left_out", message)]
        return _moved(drawn, Path(folder)), []


def can_draw(*, python: str = sys.executable, time_limit_s: float = 60.0) -> bool:
    """Return whether a child process can draw a small picture here."""
    with tempfile.TemporaryDirectory(prefix="occlusim-pictures-") as name:
        work = Path(name)
        (work / "scene.json").write_text(json.dumps({"trial": True}), encoding="utf-8")
        return _draw(work, python, time_limit_s) is None and any(work.glob("*.png"))


def _hand_over(
    work: Path, results: Mapping[str, Any], meshes: ReportMeshes, orientation: Orientation
) -> None:
    posed, is_lower = in_upper_frame(results, meshes)
    arrays: dict[str, Any] = {}
    for name in MESHES:
        painted: PaintedMesh = getattr(posed, name)
        arrays[f"{name}.vertices"] = painted.mesh.vertices
        arrays[f"{name}.faces"] = painted.mesh.faces
        for field, values in painted.fields.items():
            arrays[f"{name}.{field}"] = values
    np.savez(work / "meshes.npz", **arrays)
    light = (results.get("closure") or {}).get("light") or {}
    state = light.get("with_crown") or light.get("without_crown") or {}
    scene = {
        "mounting": results.get("mounting"),
        "is_lower": is_lower,
        "orientation": [
            direction.tolist()
            for direction in (orientation.right, orientation.anterior, orientation.superior)
        ],
        "spots": [
            {"id": str(spot.get("id")), "centroid_mm": spot["centroid_mm"]}
            for spot in numbered_spots(results)
            if spot.get("centroid_mm") is not None
        ],
        "contacts": contact_places(state),
    }
    (work / "scene.json").write_text(json.dumps(scene), encoding="utf-8")


def contact_places(state: Mapping[str, Any]) -> list[list[float]]:
    """Return the middles of the contact patches of a closure, of a pair where it names none."""
    places = []
    for contact in state.get("contacts") or []:
        patches = contact.get("patches") or [contact]
        places += [
            patch["centroid_mm"]
            for patch in patches
            if patch.get("centroid_mm") is not None
            and (patch.get("area_mm2") or 0.0) >= LEAST_CONTACT_MM2
        ]
    return places


def _draw(work: Path, python: str, time_limit_s: float) -> str | None:
    """Let a child draw what lies in `work`; return why it could not, or None."""
    environment = dict(os.environ)
    if sys.platform.startswith("linux") and not environment.get("DISPLAY"):
        environment.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
    package_folder = str(Path(__file__).resolve().parents[2])
    search = [package_folder, environment.get("PYTHONPATH", "")]
    environment["PYTHONPATH"] = os.pathsep.join(part for part in search if part)
    try:
        child = subprocess.run(
            [python, "-m", "occlusim.report.drawing", str(work)],
            env=environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=time_limit_s,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return WORDS["pictures_hung"].format(seconds=f"{time_limit_s:.0f}")
    except OSError as error:
        return str(error)
    if child.returncode == 0:
        return None
    lines = child.stderr.decode("utf-8", errors="replace").strip().splitlines()
    if child.returncode < 0 or not lines:
        return WORDS["pictures_died"].format(code=child.returncode)
    return lines[-1].strip()


def _moved(drawn: list[Path], folder: Path) -> list[Path]:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        paths = []
        for source in drawn:
            beside = folder / f".{source.name}.part"
            shutil.copyfile(source, beside)
            paths.append(beside.replace(folder / source.name))
    except OSError as error:
        raise OutputError(
            f"{folder}: the pictures cannot be written ({error.strerror}); "
            "give a folder that may be written"
        ) from error
    return paths
