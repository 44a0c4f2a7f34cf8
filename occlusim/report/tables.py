"""The tables of the page, as captions, headings and written cells."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from occlusim.report.chance_words import percent
from occlusim.report.numbers import UNITS, split_unit, typeset, with_unit, written
from occlusim.report.summary import wanted_at_least_gap
from occlusim.report.words import WORDS, movement_label

MINUS = "−"


@dataclass(frozen=True, slots=True)
class Table:
    """A table whose first column heads its rows; `is_number` says which columns align right."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    is_number: tuple[bool, ...]
    digest_column: int = -1


def _table(
    caption: str, columns: Sequence[tuple[str, bool]], rows: Sequence[Sequence[str]]
) -> Table | None:
    """Return a table of headings (text, is it a number) and rows, or None where there is no row."""
    if not rows:
        return None
    return Table(
        WORDS[caption],
        tuple(heading for heading, _ in columns),
        tuple(tuple(row) for row in rows),
        tuple(is_number for _, is_number in columns),
    )


def _cell(value: Any, unit: str = "") -> str:
    return written(value, unit, MINUS)


def _share(share: float | None) -> str:
    return WORDS["unknown"] if share is None else percent(share)


def _pairs(caption: str, rows: Sequence[Sequence[str]]) -> Table | None:
    return _table(caption, [(WORDS["col_what"], False), (WORDS["col_value"], False)], rows)


def spot_table(spots: Sequence[Mapping[str, Any]], caption: str = "spots_caption") -> Table | None:
    """Return the table of high spots, or None where there is none."""
    has_chance = any(spot.get("probability_high") is not None for spot in spots)
    names = [
        ("col_spot", False),
        ("col_movement", False),
        ("col_place", False),
        ("col_depth", True),
        *([("col_chance", True)] if has_chance else []),
        ("col_area", True),
        ("col_thickness", True),
        ("col_feasible", False),
        ("col_order", True),
        ("col_left_high", True),
    ]
    is_left = any(spot.get("residual_um") for spot in spots)
    names += [("col_residual", True)] if is_left else []
    rows = []
    for spot in spots:
        feasible = _cell(spot.get("feasible"))
        if spot.get("feasible") is False and spot.get("shortfall_um") is not None:
            feasible = _not_feasible(spot)
        rows.append(
            (
                str(spot.get("id")),
                movement_label(str(spot.get("movement"))),
                spot.get("location") or WORDS["unknown"],
                _cell(spot.get("depth_um"), "um"),
                *([_share(spot.get("probability_high"))] if has_chance else []),
                _cell(spot.get("area_mm2"), "mm2"),
                _cell(spot.get("thickness_left_mm"), "mm"),
                feasible,
                _cell(spot.get("order")),
                _cell(spot.get("left_high_um"), "um"),
                *([_cell(spot.get("residual_um"), "um")] if is_left else []),
            )
        )
    return _table(caption, [(WORDS[name], flag) for name, flag in names], rows)


def _not_feasible(spot: Mapping[str, Any]) -> str:
    """Return what has to stay, and against which tooth where that is asked of the clinician."""
    shortfall, split = with_unit(spot["shortfall_um"], "um"), spot.get("split")
    if not split:
        return WORDS["feasible_no"].format(shortfall=shortfall)
    number = split.get("antagonist_tooth")
    tooth = WORDS["the_opposing_tooth"]
    if number:
        tooth = WORDS["opposing_tooth_number"].format(number=number)
    left = with_unit(split.get("antagonist_um"), "um")
    return WORDS["feasible_asked"].format(shortfall=shortfall, left=left, tooth=tooth)


def movement_table(crown: Mapping[str, Any]) -> Table | None:
    """Return the least gap of each movement before and after, or None."""
    after = {
        movement.get("name"): movement
        for movement in (crown.get("after") or {}).get("movements") or []
    }
    names = ["col_number", "col_movement", "col_poses", "col_least_gap", "col_at"]
    names += ["col_supported_gap", "col_wanted_there", "col_after"]
    rows = []
    for number, movement in enumerate(crown.get("movements") or [], start=1):
        name = movement.get("name")
        rows.append(
            (
                str(number),
                movement_label(str(name)),
                _cell(movement.get("n_poses")),
                _cell(movement.get("least_gap_um"), "um"),
                _cell(movement.get("at_parameter_mm"), "mm"),
                _cell(movement.get("supported_gap_um"), "um"),
                _cell(wanted_at_least_gap(movement), "um"),
                _cell((after.get(name) or {}).get("least_gap_um"), "um"),
            )
        )
    columns = [(WORDS[name], name not in ("col_number", "col_movement")) for name in names]
    return _table("gaps_caption", columns, rows)


def proof_table(crown: Mapping[str, Any]) -> Table | None:
    """Return the crown before and after in a few numbers, or None where there is no after."""
    after = crown.get("after")
    if not after:
        return None
    spots, with_spikes = crown.get("spots"), []
    if "recorded_gap_with_spikes_um" in crown:
        value = _value(crown["recorded_gap_with_spikes_um"], "um")
        with_spikes = [(WORDS["recorded_gap_with_spikes"], value)]
    rows = [
        (WORDS["recorded_gap"], _value(crown.get("recorded_gap_um"), "um")),
        *with_spikes,
        (WORDS["recorded_gap_after"], _value(after.get("recorded_gap_um"), "um")),
        (WORDS["incisal_opening"], _value(crown.get("incisal_opening_um"), "um")),
        (WORDS["spots_before"], _cell(None if spots is None else len(spots))),
        (WORDS["spots_after"], _cell(after.get("n_spots"))),
    ]
    return _pairs("proof_caption", rows)


def _value(value: Any, unit: str) -> str:
    return with_unit(value, unit).replace("-", MINUS)


def heading_of(key: str) -> str:
    """Return a readable heading of any key: ``guidance: bennett_angle_deg`` in words with its unit.

    The words are those of the texts; a key that has none there is spelt out.
    """
    *outer, last = key.split(": ")
    path = "".join(f"{_key_words(name)}: " for name in outer)
    name, unit = (last, "") if f"key_{last}" in WORDS else split_unit(last)
    words = path + _key_words(name)
    words = words[:1].upper() + words[1:]
    return f"{words} ({UNITS.get(unit, unit)})" if unit else words


def _key_words(name: str) -> str:
    return WORDS.get(f"key_{name}", name.replace("_", " "))


def flat_rows(values: Mapping[str, Any], path: str = "", unit: str = "") -> list[tuple[str, str]]:
    """Return (heading, written value) of every number and word in a nested mapping.

    A unit on an outer key holds for what it contains; matrices (keys ``T_...``) are left out: they
    are in ``results.json`` for programs.
    """
    rows: list[tuple[str, str]] = []
    for key, value in values.items():
        own_unit = split_unit(key)[1]
        if key.startswith("T_"):
            continue
        if isinstance(value, Mapping):
            name = split_unit(key)[0] if own_unit else key
            rows += flat_rows(value, f"{path}{name}: ", own_unit or unit)
        else:
            heading = heading_of(f"{path}{key}" if own_unit or not unit else f"{path}{key}_{unit}")
            rows.append((heading, _any(value, own_unit or unit)))
    return rows


def _any(value: Any, unit: str) -> str:
    if isinstance(value, Mapping):
        return ", ".join(
            f"{key} {_any(item, split_unit(str(key))[1])}" for key, item in value.items()
        )
    if isinstance(value, list | tuple):
        words = [_any(item, unit) for item in value]
        nested = any(isinstance(item, list | tuple) for item in value)
        return ("; " if nested else ", ").join(words) or WORDS["none"]
    return _cell(value, unit)


def generic_table(
    caption: str, values: Mapping[str, Any] | None, skip: Sequence[str] = ()
) -> Table | None:
    """Return every entry of a mapping as a row; keys in `skip` are shown elsewhere."""
    kept = {key: value for key, value in (values or {}).items() if key not in skip}
    return _pairs(caption, flat_rows(kept))


def settings_table(settings: Mapping[str, Any] | None) -> Table | None:
    """Return every setting as a row; one that was not given says so, for it is not unknown."""
    rows = [
        (name, WORDS["not_given"] if value == WORDS["unknown"] else value)
        for name, value in flat_rows(settings or {})
    ]
    return _pairs("settings_caption", rows)


def records_table(caption: str, records: Sequence[Any] | None) -> Table | None:
    """Return a list of mappings as a table, one row each, columns in order of appearance."""
    records = [record for record in records or [] if isinstance(record, Mapping)]
    keys = list(dict.fromkeys(k for record in records for k in record if not k.startswith("T_")))
    rows = [[_any(record.get(key), split_unit(key)[1]) for key in keys] for record in records]
    columns = [
        (heading_of(key), any(isinstance(record.get(key), int | float) for record in records))
        for key in keys
    ]
    return _table(caption, columns, rows)


def spread_table(covariance: Any) -> Table | None:
    """Return one standard deviation of the pose from its 6x6 covariance (rad, then mm), or None."""
    matrix = np.array(covariance if covariance is not None else [], dtype=np.float64)
    if matrix.shape != (6, 6) or not np.isfinite(matrix).all() or (np.diag(matrix) < 0).any():
        return None
    sigma = np.sqrt(np.diag(matrix))
    rows = [
        (WORDS[f"axis_{axis}"], f"{np.degrees(sigma[k]):.3f}", _cell(1000.0 * sigma[3 + k], "um"))
        for k, axis in enumerate(("right", "anterior", "superior"))
    ]
    columns = [(WORDS["col_axis"], False), (WORDS["col_turn"], True), (WORDS["col_shift"], True)]
    return _table("spread_caption", columns, rows)


def _closures(closure: Mapping[str, Any]) -> list[tuple[str, Mapping[str, Any]]]:
    loads = [(WORDS[load], closure.get(load) or {}) for load in ("light", "heavy")]
    for other in closure.get("others") or []:
        load_N = (other.get("without_crown") or {}).get("total_load_N")
        loads.append((WORDS["other_load"].format(load=_cell(load_N, "N")), other))
    return [
        (f"{name}, {WORDS[crown]}", states[crown])
        for name, states in loads
        for crown in ("without_crown", "with_crown")
        if states.get(crown)
    ]


def closure_table(closure: Mapping[str, Any] | None) -> Table | None:
    """Return the jaw at both loads, without and with the crown, or None."""
    states = _closures(closure or {})
    if not states:
        return None

    without = WORDS["without_crown"]
    left_out = [state for name, state in states if name.endswith(without)]

    def crown_load(state: Mapping[str, Any]) -> str:
        if any(state is one for one in left_out):
            return WORDS["left_out"]
        return _cell(state.get("crown_load_N"), "N")

    def crown_percent(state: Mapping[str, Any]) -> str:
        if any(state is one for one in left_out):
            return WORDS["left_out"]
        share = state.get("crown_share")
        return _cell(None if share is None else 100.0 * share, "N")

    lines: list[tuple[str, Callable[[Mapping[str, Any]], str]]] = [
        ("row_rotation_deg", lambda s: _cell(s.get("rotation_deg"), "deg")),
        ("row_total_load_N", lambda s: _cell(s.get("total_load_N"), "N")),
        ("row_crown_load_N", crown_load),
        ("row_crown_share", crown_percent),
        ("row_muscle_N", lambda s: _cell(s.get("muscle_N"), "N")),
        ("row_joint_right", lambda s: _cell((s.get("joint_N") or {}).get("right"), "N")),
        ("row_joint_left", lambda s: _cell((s.get("joint_N") or {}).get("left"), "N")),
    ]
    rows = [(WORDS[name], *(cell(state) for _, state in states)) for name, cell in lines]
    columns = [(WORDS["col_what"], False), *((name, True) for name, _ in states)]
    return _table("closure_caption", columns, rows)


def contact_table(closure: Mapping[str, Any] | None) -> Table | None:
    """Return the load (N) of each pair of teeth, patches of one pair added up, or None."""
    states = _closures(closure or {})
    loads: dict[tuple[str, str], list[float | None]] = {}
    for k, (_, state) in enumerate(states):
        for contact in state.get("contacts") or []:
            pair = (_cell(contact.get("upper_tooth")), _cell(contact.get("lower_tooth")))
            row = loads.setdefault(pair, [0.0] * len(states))
            load_N, held = contact.get("load_N"), row[k]
            row[k] = None if load_N is None or held is None else held + load_N
    rows = [
        (f"{upper} / {lower}", *(_cell(load, "N") for load in row))
        for (upper, lower), row in sorted(loads.items())
    ]
    columns = [(WORDS["col_pair"], False), *((name, True) for name, _ in states)]
    return _table("contacts_caption", columns, rows)


def datum_table(datum: Mapping[str, Any] | None) -> Table | None:
    """Return the reference gap with whatever else the results say of it, or None."""
    if not datum:
        return None
    rows = [
        (WORDS["g_nat"], _value(datum.get("g_nat_um"), "um")),
        (WORDS["disagreement"], _value(datum.get("disagreement_um"), "um")),
    ]
    pairs = datum.get("pairs") or []
    if pairs and not isinstance(pairs[0], Mapping):
        rows.append(
            (WORDS["datum_pairs"], "; ".join(_any(pair, "").replace(", ", " / ") for pair in pairs))
        )
    rest = {k: v for k, v in datum.items() if k not in ("g_nat_um", "disagreement_um", "pairs")}
    return _pairs("datum_caption", [*rows, *flat_rows(rest)])


def finding_table(
    findings: Sequence[Mapping[str, Any]], caption: str = "findings_caption"
) -> Table | None:
    """Return the findings, the gravest first, or None."""
    weight = {"error": 0, "warning": 1}
    rows = [
        (
            WORDS.get(f"severity_{finding.get('severity')}", str(finding.get("severity"))),
            typeset(str(finding.get("message"))),
            str(finding.get("code")),
        )
        for finding in sorted(findings, key=lambda f: weight.get(str(f.get("severity")), 2))
    ]
    names = ("col_severity", "col_message", "col_code")
    return _table(caption, [(WORDS[name], False) for name in names], rows)


def input_table(inputs: Sequence[Mapping[str, Any]]) -> Table | None:
    """Return the files read with their digests, or None."""
    names = [
        ("role", False),
        ("file", False),
        ("vertices", True),
        ("faces", True),
        ("digest", False),
    ]
    rows = [
        (
            str(item.get("role")),
            str(item.get("file")),
            _cell(item.get("n_vertices")),
            _cell(item.get("n_faces")),
            str(item.get("sha256")),
        )
        for item in inputs
    ]
    table = _table("inputs_caption", [(WORDS[f"col_{name}"], flag) for name, flag in names], rows)
    if table is None:
        return None
    return Table(table.caption, table.columns, table.rows, table.is_number, digest_column=4)


def version_table(results: Mapping[str, Any]) -> Table | None:
    """Return program, layout, start and time of each stage."""
    rows = [
        (WORDS["program"], str(results.get("occlusim_version") or WORDS["unknown"])),
        (WORDS["schema"], _cell(results.get("schema"))),
        (WORDS["started"], str(results.get("started") or WORDS["unknown"])),
    ]
    rows += [(str(name), str(version)) for name, version in (results.get("versions") or {}).items()]
    rows += [
        (WORDS["stage_time"].format(stage=stage.replace("_", " ")), _cell(seconds, "s"))
        for stage, seconds in (results.get("seconds") or {}).items()
    ]
    return _pairs("versions_caption", rows)
