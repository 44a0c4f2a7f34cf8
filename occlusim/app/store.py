"""Cases on disk: one folder a case, in the folder of the user's choice.

A case's folder holds the files that were dropped in under names of our own (`upper.stl`,
`bite-1.ply`), `draft.json` with what has been entered, `case.toml` as it was last run, `run.json`
with the state of that run, `out/` with its results, and `.preview/` with what the page draws.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomli_w

from occlusim.app.english import WORDS
from occlusim.app.fields import cleaned, field_of, nested
from occlusim.case import SCHEMA
from occlusim.errors import InputError, OutputError
from occlusim.files.case_file import case_problems

MAX_BITES = 6
SINGLE_ROLES = ("upper", "lower", "crown")
ROLES = (*SINGLE_ROLES, *(f"bite-{number}" for number in range(1, MAX_BITES + 1)))
ENDINGS = (".stl", ".ply", ".obj")
BUSY = ("queued", "running")
RUN_FOLDER = ".run"
NEEDED = (("scans", "upper"), ("scans", "lower"), ("crown", "mesh"))


@dataclass(frozen=True, slots=True)
class Problems:
    """What still keeps a case from being run: words by setting, files that lack, all else."""

    fields: Mapping[str, str]
    missing: tuple[str, ...]
    others: tuple[str, ...]

    def __bool__(self) -> bool:
        return bool(self.fields or self.missing or self.others)


class Store:
    """The folder of cases.

    Raises
    ------
    OutputError
        If the folder cannot be made or written.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder.expanduser().resolve()
        self.lock = threading.RLock()
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise OutputError(
                f"{self.folder}: cannot be made ({error.strerror}); give another --folder"
            ) from None
        if not os.access(self.folder, os.W_OK):
            raise OutputError(f"{self.folder}: cannot be written; give another --folder")

    def cases(self) -> list[StoredCase]:
        """Return the cases, the one changed last first."""
        found = [StoredCase(path.parent, self.lock) for path in self.folder.glob("*/draft.json")]
        return sorted(found, key=lambda case: (-case.changed, case.id))

    def get(self, case_id: object) -> StoredCase | None:
        """Return a case by its name, or None; the name never becomes a path."""
        return next((case for case in self.cases() if case.id == case_id), None)

    def create(self, case_id: str) -> StoredCase:
        """Return a new, empty case.

        Raises
        ------
        InputError
            If the name is not allowed, or taken.
        """
        wrong = [words for loc, words in case_problems({"id": case_id}) if loc == ("id",)]
        if wrong:
            raise InputError(wrong[0])
        with self.lock:
            # Some file systems do not tell capitals apart.
            if case_id.lower() in {path.name.lower() for path in self.folder.iterdir()}:
                raise InputError(WORDS["name_taken"].format(name=case_id))
            folder = self.folder / case_id
            try:
                folder.mkdir()
            except OSError as error:
                raise InputError(f"{folder}: cannot be made ({error.strerror})") from None
            case = StoredCase(folder, self.lock)
            case.write_json("draft.json", {"revision": 0, "fields": {}, "files": {}})
        return case


class StoredCase:
    """One case's folder; every change is written whole or not at all."""

    def __init__(self, folder: Path, lock: threading.RLock) -> None:
        self.folder = folder
        self.lock = lock

    @property
    def id(self) -> str:
        """The case's name."""
        return self.folder.name

    @property
    def changed(self) -> float:
        """When it was changed or run last, seconds since 1970."""
        times = [self.folder / name for name in ("draft.json", "run.json")]
        return max((path.stat().st_mtime for path in times if path.exists()), default=0.0)

    def draft(self) -> dict[str, Any]:
        """Return what has been entered: revision, fields, files."""
        return self._read_json("draft.json") or {"revision": 0, "fields": {}, "files": {}}

    def run(self) -> dict[str, Any]:
        """Return the state of the last run; ``{"state": "none"}`` where there was none."""
        return self._read_json("run.json") or {"state": "none"}

    @property
    def is_busy(self) -> bool:
        """Whether it waits for its run or is running."""
        return self.run()["state"] in BUSY

    def set_fields(self, values: Mapping[str, Any]) -> int:
        """Change settings, an empty one meaning its default; return the draft's revision.

        Raises
        ------
        InputError
            If a run of the case is going on.
        """
        with self.lock:
            draft = self.draft()
            kept = {k: v for k, v in draft["fields"].items() if k not in values}
            fields = {**kept, **cleaned(values)}
            if fields != draft["fields"]:
                self._refuse_while_busy()
                draft["fields"] = fields
                self._write_draft(draft)
            return draft["revision"]

    def free_role(self, role: str) -> str:
        """Return the place that a file of a role takes: ``bite`` the next free one, else its own.

        Raises
        ------
        InputError
            If there is no such role, or there are as many bite scans as there may be.
        """
        if role in ROLES:
            return role
        files = self.draft()["files"]
        free = [name for name in ROLES if name not in SINGLE_ROLES and name not in files]
        if role == "bite" and free:
            return free[0]
        if role == "bite":
            raise InputError(WORDS["too_many_bites"].format(n=MAX_BITES))
        raise InputError(f"role: {role!r} given, one of {', '.join(SINGLE_ROLES)}, bite is wanted")

    def put_file(self, role: str, source: Path, facts: Mapping[str, Any]) -> None:
        """Take a file that was dropped in, in the place of an earlier one of that role.

        Parameters
        ----------
        role
            One of `ROLES`.
        source
            The file, in the case's folder; it is moved.
        facts
            What is kept of it: its own ``name``, the ``inspection``, ``sha256``.

        Raises
        ------
        InputError
            If a run of the case is going on.
        """
        with self.lock:
            self._refuse_while_busy()
            draft = self.draft()
            before = draft["files"].get(role)
            target = self.folder / f"{role}{source.suffix.lower()}"
            source.replace(target)
            draft["files"][role] = {**facts, "file": target.name}
            self._write_draft(draft)
            if before and before["file"] != target.name:
                (self.folder / before["file"]).unlink(missing_ok=True)

    def remove_file(self, role: str) -> None:
        """Take a file out of the case; nothing happens where there is none.

        Raises
        ------
        InputError
            If a run of the case is going on.
        """
        with self.lock:
            draft = self.draft()
            gone = draft["files"].pop(role, None)
            if gone is None:
                return
            self._refuse_while_busy()
            self._write_draft(draft)
            (self.folder / gone["file"]).unlink(missing_ok=True)
            self.preview(role).unlink(missing_ok=True)

    def keep_inspection(self, role: str, inspection: Mapping[str, Any]) -> None:
        """Keep a new scan check of a file, as after a change of unit."""
        with self.lock:
            draft = self.draft()
            if role in draft["files"]:
                draft["files"][role]["inspection"] = dict(inspection)
                self._write_draft(draft)

    def preview(self, role: str) -> Path:
        """Return where what the page draws of a file is kept."""
        return self.folder / ".preview" / f"{role}.npz"

    def case_data(self) -> dict[str, Any]:
        """Return the case as the tables of a case file, complete or not."""
        draft = self.draft()
        data = {"schema": SCHEMA, "id": self.id, **nested(draft["fields"])}
        files = {role: entry["file"] for role, entry in draft["files"].items()}
        scans = {role: files[role] for role in ("upper", "lower") if role in files}
        bites = [files[role] for role in ROLES if role not in SINGLE_ROLES and role in files]
        data["scans"] = scans | ({"bites": bites} if bites else {}) | data.get("scans", {})
        data["crown"] = data.get("crown", {})
        if "crown" in files:
            data["crown"] = {"mesh": files["crown"], **data["crown"]}
        return data

    def problems(self) -> Problems:
        """Return what keeps the case from being run, as the case model says it."""
        fields: dict[str, str] = {}
        missing, others = [], []
        for loc, words in case_problems(self.case_data()):
            place = tuple(part for part in loc if not isinstance(part, int))
            key = field_of(loc)
            if place in NEEDED:
                missing.append("crown" if place[0] == "crown" else place[1])
            elif key is not None:
                fields.setdefault(key, words)
            elif place == ("crown",) and not self.draft()["fields"].get("crown.tooth"):
                fields.setdefault("crown.tooth", WORDS["needed"])
            else:
                others.append(words)
        draft = self.draft()
        if "crown.tooth" not in draft["fields"]:
            fields["crown.tooth"] = WORDS["needed"]
        if "crown.support" not in draft["fields"]:
            fields["crown.support"] = WORDS["needed"]
        others += [
            WORDS["file_not_usable"].format(what=place_words(role))
            for role, entry in draft["files"].items()
            if not entry["inspection"]["usable"]
        ]
        return Problems(fields, tuple(missing), tuple(others))

    def fingerprint(self) -> str:
        """Return a digest of all that decides a run's result: settings and file contents."""
        files = {role: entry["sha256"] for role, entry in sorted(self.draft()["files"].items())}
        text = json.dumps([self.case_data(), files], sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()

    def is_current(self) -> bool:
        """Whether the last result was computed from what the case holds now."""
        return self.run().get("result_of") == self.fingerprint()

    def write_case(self) -> Path:
        """Write the case file from what has been entered, and return its path."""
        path = self.folder / "case.toml"
        self._write(path, tomli_w.dumps(self.case_data()).encode())
        return path

    def begin_run(self) -> Path:
        """Return an empty folder for a run's results, which `publish` makes those of the case."""
        folder = self.folder / RUN_FOLDER
        self.discard_run()
        folder.mkdir()
        return folder

    def publish(self) -> None:
        """Make the results of the run those of the case, in the place of earlier ones."""
        work, target = self.folder / RUN_FOLDER, self.folder / "out"
        if target.exists():
            target.rename(work / "before")
        (work / "out").rename(target)
        self.discard_run()

    def discard_run(self) -> None:
        """Remove whatever a run has left; results that it was about to replace come back."""
        work, target = self.folder / RUN_FOLDER, self.folder / "out"
        if (work / "before").exists() and not target.exists():
            (work / "before").rename(target)
        shutil.rmtree(work, ignore_errors=True)

    def set_run(self, run: Mapping[str, Any]) -> None:
        """Keep the state of a run."""
        with self.lock:
            self.write_json("run.json", run)

    def results(self) -> dict[str, Any] | None:
        """Return the content of the results, or None where there are none."""
        return self._read_json("out/results.json")

    def write_json(self, name: str, content: Mapping[str, Any]) -> None:
        """Write a file of the case's folder as JSON, whole or not at all."""
        self._write(self.folder / name, json.dumps(content, indent=1).encode())

    def _write(self, path: Path, data: bytes) -> None:
        beside = path.with_name(f".{path.name}.part")
        with self.lock:
            try:
                beside.write_bytes(data)
                beside.replace(path)
            except OSError as error:
                beside.unlink(missing_ok=True)
                raise OutputError(
                    f"{path}: cannot be written ({error.strerror}); check rights and space"
                ) from None

    def _read_json(self, name: str) -> dict[str, Any] | None:
        try:
            content = json.loads((self.folder / name).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        return content if isinstance(content, dict) else None

    def _write_draft(self, draft: dict[str, Any]) -> None:
        draft["revision"] += 1
        self.write_json("draft.json", draft)

    def _refuse_while_busy(self) -> None:
        if self.is_busy:
            raise InputError(WORDS["busy"])


def place_words(place: str) -> str:
    """Return what a file of a place is for, such as ``Bite scan 2``."""
    if place in SINGLE_ROLES:
        return WORDS[f"role_{place}"]
    return WORDS["bite_number"].format(n=place.removeprefix("bite-"))


def safe_name(name: str) -> str:
    """Return a file's own name for showing: the last part alone, printable, of bearable length."""
    last = re.split(r"[\\/]", name)[-1]
    return "".join(c for c in last if c.isprintable())[-120:] or "file"
