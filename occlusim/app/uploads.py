"""Files dropped in: streamed to disk, checked at once, kept only where they can be read."""

from __future__ import annotations

import secrets
import threading
from pathlib import Path
from typing import Any, Protocol

from occlusim.app.english import WORDS
from occlusim.app.fields import BY_KEY
from occlusim.app.previews import write_preview
from occlusim.app.store import ENDINGS, StoredCase, safe_name
from occlusim.errors import InputError
from occlusim.files.inspection import MeshInspection, inspect_mesh

MAX_BYTES = 100_000_000
CHUNK_BYTES = 1 << 20
_one_at_a_time = threading.Lock()


class Stream(Protocol):
    """What a file is read from."""

    def read(self, size: int, /) -> bytes:
        """Return up to `size` bytes, none at the end."""
        ...


def receive(case: StoredCase, role: str, name: str, stream: Stream, length: int | None) -> str:
    """Take in a file and return the place it took.

    Parameters
    ----------
    case
    role
        ``upper``, ``lower``, ``crown``, ``bite`` (the next free one) or a bite's own place.
    name
        The file's own name; shown and asked for its ending, never part of a path.
    stream
    length
        The bytes that were announced, None where that is not known.

    Raises
    ------
    InputError
        If the file is of another kind, too large, cut off or cannot be read as a mesh. An earlier
        file of that place stays.
    """
    shown = safe_name(name)
    ending = Path(shown).suffix.lower()
    if ending not in ENDINGS:
        raise InputError(WORDS["wrong_ending"].format(name=shown))
    if length is None:
        raise InputError(WORDS["no_length"].format(name=shown))
    check_size(shown, length)
    part = case.folder / f".upload-{secrets.token_hex(8)}{ending}"
    try:
        _stream_to(part, stream, shown, length)
        with _one_at_a_time:
            place = case.free_role(role)
            found = _inspected(case, part, place, shown)
            case.put_file(place, part, found)
            write_preview(case, place, unit_of(case))
    except OSError as error:
        raise InputError(WORDS["not_kept"].format(name=shown, reason=error.strerror)) from None
    finally:
        part.unlink(missing_ok=True)
    return place


def check_size(name: str, length: int) -> None:
    """Raise an `InputError` for a file that is larger than allowed."""
    if length > MAX_BYTES:
        raise InputError(
            WORDS["too_large"].format(name=name, size=length / 1e6, most=MAX_BYTES / 1e6)
        )


def _stream_to(path: Path, stream: Stream, name: str, length: int) -> None:
    received = 0
    with path.open("wb") as file:
        while received < length:
            chunk = stream.read(min(CHUNK_BYTES, length - received))
            if not chunk:
                break
            file.write(chunk)
            received += len(chunk)
    if received < length:
        raise InputError(WORDS["cut_off"].format(name=name, got=received, wanted=length))


def _inspected(case: StoredCase, path: Path, place: str, shown: str) -> dict[str, Any]:
    inspection = inspect_mesh(path, unit_of(case), role_of(place))
    if not inspection.facts:
        words = "; ".join(finding.message for finding in inspection.findings)
        raise InputError(words.replace(str(path), shown))
    return {
        "name": shown,
        "sha256": inspection.facts["sha256"],
        "inspection": kept_inspection(inspection),
    }


def kept_inspection(inspection: MeshInspection) -> dict[str, Any]:
    """Return what the page shows of a scan check."""
    facts = inspection.facts
    low, high = facts["box_mm"]
    return {
        "usable": inspection.usable,
        "n_faces": facts["n_faces"],
        "size_mm": [b - a for a, b in zip(low, high, strict=True)],
        "findings": [
            {"severity": finding.severity, "message": finding.message}
            for finding in inspection.findings
        ],
    }


def inspect_again(case: StoredCase) -> None:
    """Check all files anew, in the unit that the case has now."""
    with _one_at_a_time:
        for role, entry in case.draft()["files"].items():
            found = inspect_mesh(case.folder / entry["file"], unit_of(case), role_of(role))
            if found.facts:
                case.keep_inspection(role, kept_inspection(found))
            write_preview(case, role, unit_of(case))


def unit_of(case: StoredCase) -> str:
    """Return the unit of a case's files."""
    return str(case.draft()["fields"].get("scans.units", BY_KEY["scans.units"].preselected))


def role_of(place: str) -> str:
    """Return what a file is for: ``bite`` for any of the bite scans."""
    return "bite" if place.startswith("bite-") else place
