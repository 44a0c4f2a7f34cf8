"""The case file read: every error names the file, the line, the key, and what is allowed."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from occlusim.case import Case
from occlusim.errors import CaseFileError
from occlusim.files.toml_lines import find_line

_WORDS = {
    "dict_type": "a table is wanted",
    "model_type": "a table is wanted",
    "list_type": "a list is wanted",
    "tuple_type": "a list is wanted",
    "string_type": "text in quotes is wanted",
    "int_type": "a whole number is wanted",
    "int_parsing": "a whole number is wanted",
    "int_from_float": "a whole number is wanted",
    "too_long": "too many values",
}


def read_case(path: Path | str) -> Case:
    """Return the case of a TOML file, checked, with absolute paths to files that exist.

    Parameters
    ----------
    path : Path or str
        The paths in the file are relative to it and may not leave its folder, neither by ``..``
        nor by a symbolic link.

    Raises
    ------
    CaseFileError
        If the file cannot be read, is no TOML, has an unknown key, a value that is not allowed,
        or names a file that is missing or outside its folder. All that was found is in the
        message, one line each.
    """
    path = Path(path)
    text = _read_text(path)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise CaseFileError(f"{path}: no valid TOML: {error}") from None
    _check_schema_first(data, text, path)
    try:
        case = Case.model_validate(data)
    except ValidationError as error:
        described = [_describe(detail) for detail in error.errors(include_url=False)]
        lines = [f"{_place(path, text, loc)}: {words}" for loc, words in described]
        raise CaseFileError("\n".join(lines)) from None
    problems: list[str] = []
    found = _with_absolute_paths(data, path, text, problems)
    if problems:
        raise CaseFileError("\n".join(problems))
    return case.model_validate(found)


def case_problems(data: Mapping[str, Any]) -> list[tuple[tuple[str | int, ...], str]]:
    """Return the place and the words of all that is wrong with a case's data; empty if nothing is.

    `data` is what a case file holds, as nested tables. No file that it names is looked for.
    """
    try:
        Case.model_validate(data)
    except ValidationError as error:
        return [_describe(detail) for detail in error.errors(include_url=False)]
    return []


def _read_text(path: Path) -> str:
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise CaseFileError(f"{path}: there is no such case file; check the name") from None
    except UnicodeDecodeError:
        raise CaseFileError(f"{path}: no text in UTF-8; save the case file as UTF-8") from None
    except OSError as error:
        raise CaseFileError(f"{path}: cannot be read ({error.strerror}); check the path") from None
    if not text.strip():
        raise CaseFileError(f"{path}: empty; a case file starts with schema = 1")
    return text


def _check_schema_first(data: Mapping[str, Any], text: str, path: Path) -> None:
    """Refuse a file of another schema before its keys are judged by this one."""
    schema = data.get("schema")
    if schema is None:
        raise CaseFileError(f"{path}: schema: missing; write schema = 1 at the top of the file")
    if schema != 1 or isinstance(schema, bool):
        line = find_line(text, ("schema",))
        raise CaseFileError(
            f"{path}, line {line}: schema: {schema!r} given; this version reads schema = 1 only"
        )


def _describe(detail: ErrorDetails) -> tuple[tuple[str | int, ...], str]:
    """Return the place of one error and its words: what was given and what is allowed."""
    loc = tuple(part for part in detail["loc"] if part != "[key]")
    kind = detail["type"]
    given = detail["input"]
    context = detail.get("ctx", {})
    if kind == "extra_forbidden":
        words = _unknown_key(loc)
    elif kind == "missing":
        words = "missing, but needed"
    elif kind == "literal_error":
        words = f"{given!r} given, {context['expected']} is allowed"
    elif kind == "value_error":
        words = str(context["error"])
    else:
        words = f"{given!r} given; {_WORDS.get(kind, detail['msg'])}"
    return loc, words


def _place(path: Path, text: str, loc: Sequence[str | int]) -> str:
    line = find_line(text, loc)
    where = f"{path}, line {line}" if line else f"{path}"
    key = ".".join(str(part) for part in loc if not isinstance(part, int))
    return f"{where}: {key}" if key else where


def _unknown_key(loc: Sequence[str | int]) -> str:
    known = _known_keys(loc[:-1])
    key = str(loc[-1])
    near = difflib.get_close_matches(key, known, n=1, cutoff=0.0)
    words = f"unknown key; the nearest known key is {near[0]!r}" if near else "unknown key"
    elsewhere = [
        f"[{_key_of(name, field.alias)}]"
        for name, field in Case.model_fields.items()
        if key in _keys(_model_of(field.annotation))
    ]
    if elsewhere:
        words += f" ({elsewhere[0]} has a key of that name)"
    return f"{words}; known here: {', '.join(known)}"


def _known_keys(loc: Sequence[str | int]) -> list[str]:
    """Return the keys that the table at a place may have."""
    model: type[BaseModel] | None = Case
    for part in loc:
        if isinstance(part, int) or model is None:
            continue
        fields = {_key_of(name, f.alias): f for name, f in model.model_fields.items()}
        model = _model_of(fields[part].annotation) if part in fields else None
    return _keys(model)


def _keys(model: type[BaseModel] | None) -> list[str]:
    return [] if model is None else [_key_of(n, f.alias) for n, f in model.model_fields.items()]


def _key_of(name: str, alias: str | None) -> str:
    return alias or name


def _model_of(annotation: Any) -> type[BaseModel] | None:
    """Return the first model in an annotation such as ``tuple[Crown, ...]`` or ``Foil | None``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    models = (_model_of(part) for part in get_args(annotation))
    return next((model for model in models if model is not None), None)


def _with_absolute_paths(
    data: Mapping[str, Any], path: Path, text: str, problems: list[str]
) -> dict[str, Any]:
    """Return the data with every file name made absolute; what is wrong goes to `problems`."""
    folder = path.resolve().parent
    scans = dict(data["scans"])
    for key in ("upper", "lower"):
        scans[key] = _found(scans[key], folder, _place(path, text, ("scans", key)), problems)
    for key in ("bites", "retruded_bites"):
        scans[key] = [
            _found(name, folder, _place(path, text, ("scans", key)), problems)
            for name in scans.get(key, ())
        ]
    given = data.get("crown", [])
    given = given if isinstance(given, list) else [given]
    crowns = []
    for index, crown in enumerate(given):
        files = {
            key: _found(crown[key], folder, _place(path, text, ("crown", index, key)), problems)
            for key in ("mesh", "inner")
            if key in crown
        }
        crowns.append({**crown, **files})
    named = [scans["upper"], scans["lower"], *scans["bites"], *scans["retruded_bites"]]
    named += [crown[key] for crown in crowns for key in ("mesh", "inner") if key in crown]
    twice = sorted({name for name in named if named.count(name) > 1})
    if twice and not problems:
        problems.append(
            f"{path}: {Path(twice[0]).name!r} is named more than once; every scan and crown is a "
            "file of its own"
        )
    return {**data, "scans": scans, "crown": crowns}


def _found(name: str, folder: Path, place: str, problems: list[str]) -> str:
    full = folder / name
    try:
        resolved = full.resolve()
        is_file = resolved.is_file()
    except (OSError, RuntimeError, ValueError):
        problems.append(f"{place}: {name!r} cannot be a file name; check it")
        return name
    if re.match(r"^([A-Za-z]:)?[\\/]", name) or not resolved.is_relative_to(folder):
        problems.append(
            f"{place}: {name!r} leaves the case's folder {folder}; copy the file into it and give "
            "its name relative to the case file"
        )
    elif not is_file:
        problems.append(f"{place}: there is no file {name!r} in {folder}; check the name")
    return str(resolved)


def case_files(case: Case) -> Iterator[tuple[str, Path]]:
    """Yield the role and the path of every file that a case names."""
    yield "upper", case.scans.upper
    yield "lower", case.scans.lower
    for bite in case.scans.bites:
        yield "bite", bite
    for bite in case.scans.retruded_bites:
        yield "retruded_bite", bite
    for crown in case.crowns:
        yield "crown", crown.mesh
        if crown.inner is not None:
            yield "inner", crown.inner
