"""The answer in plain words: the same sentences on the screen and on top of the page."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from occlusim.errors import InputError
from occlusim.jaw.numbering import universal_from_iso
from occlusim.report.access_words import access_sentences
from occlusim.report.axis_words import axis_sentence
from occlusim.report.chance_words import chance_sentence
from occlusim.report.kept_words import kept_sentences, raise_sentences
from occlusim.report.meshes import crown_teeth
from occlusim.report.numbers import joined, plain, with_unit, written
from occlusim.report.side_words import side_sentences
from occlusim.report.words import WORDS, movement_phrase

SPOTS_IN_WORDS = 6
"""How many spots the words name; the table holds all."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What to say: `state` is sound, doubtful, refused or unknown.

    `where` the crown is high or low; `todo` opens `steps`, the work in its order, `after` is what
    that gives. `sides` and `access` are there where the case has them. `sure` opens how far it can
    be trusted, `reasons` follow it, `trust` are sentences after them.
    """

    state: str
    headline: str
    sure: str
    reasons: tuple[str, ...]
    where: tuple[str, ...] = ()
    todo: str = ""
    steps: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    sides: tuple[str, ...] = ()
    access: tuple[str, ...] = ()
    trust: tuple[str, ...] = ()

    @property
    def body(self) -> tuple[str, ...]:
        """All sentences between headline and `sure`, steps numbered, one a line."""
        todo = [self.todo] if self.todo else []
        numbered = [f"{number}. {step}" for number, step in enumerate(self.steps, start=1)]
        return (*self.where, *todo, *numbered, *self.after, *self.sides, *self.access)


def answer(results: Mapping[str, Any]) -> Answer:
    """Return the answer of a case from its ``results.json`` content.

    A refused case gets reasons and no numbers. Keys that are absent or null are left out of the
    sentences or named as not known; nothing is guessed.
    """
    results = plain(results)
    verdict = results.get("verdict") or {}
    state = verdict.get("state") or "unknown"
    if state == "refused":
        return Answer(state, WORDS["refused"], _sure(state), _reasons(state, verdict))
    high = verdict.get("high")
    headline = WORDS["high_unknown"]
    if high is not None:
        headline = WORDS["high" if high else "not_high"]
    crown = results.get("crown") or {}
    if high is False and crown.get("missing_contact_um") is not None:
        headline = WORDS["low"]
    spots = sorted(crown.get("spots") or [], key=_depth, reverse=True)
    named = [spot for spot in spots if not spot.get("minor")]
    return Answer(
        state,
        headline,
        _sure(state),
        _reasons(state, verdict),
        where=(
            *_where(named),
            *_closing_gap(crown, _least_spot_um(results)),
            *raise_sentences(crown),
        ),
        todo=WORDS["todo_take_off"] if named else "",
        steps=_steps(named),
        after=(*_after(crown, named, spots), *kept_sentences(crown)),
        sides=tuple(side_sentences(crown)),
        access=tuple(access_sentences(results)),
        trust=tuple(_trust(results, verdict)),
    )


def summary_words(results: Mapping[str, Any]) -> str:
    """Return a short summary in plain words, one sentence a line, for the screen."""
    results = plain(results)
    found = answer(results)
    about = ", ".join(
        part for part in (str(results.get("case_id") or ""), tooth_words(results)) if part
    )
    first = f"{about}: {found.headline}".removeprefix(": ")
    reasons = [f"- {reason}" for reason in found.reasons]
    return "\n".join([first, *found.body, found.sure, *reasons, *found.trust])


def tooth_words(results: Mapping[str, Any]) -> str:
    """Return the crown's tooth by ISO and, for permanent teeth, Universal number; "" if unknown."""
    teeth = crown_teeth(results)
    if not teeth:
        return ""
    one = len(teeth) == 1
    iso, both = ("tooth", "tooth_universal") if one else ("teeth", "teeth_universal")
    try:
        universal = [str(universal_from_iso(tooth)) for tooth in teeth]
    except InputError:
        return WORDS[iso].format(teeth=joined(teeth))
    return WORDS[both].format(teeth=joined(teeth), universal=joined(universal))


def _depth(spot: Mapping[str, Any]) -> float:
    depth_um = spot.get("depth_um")
    return float("-inf") if depth_um is None else float(depth_um)


def _spot_words(spot: Mapping[str, Any]) -> dict[str, str]:
    return {
        "id": str(spot.get("id")),
        "place": spot.get("location") or WORDS["place_unknown"],
        "depth": with_unit(spot.get("depth_um"), "um"),
        "area": with_unit(spot.get("area_mm2"), "mm2"),
        "movement": movement_phrase(str(spot.get("movement"))),
        "shortfall": with_unit(spot.get("shortfall_um"), "um"),
    }


def _where(spots: Sequence[Mapping[str, Any]]) -> list[str]:
    return [WORDS["deepest"].format(**_spot_words(spots[0]))] if spots else []


def wanted_at_least_gap(movement: Mapping[str, Any]) -> float | None:
    """Return the wanted gap (um) at the step where a movement's least gap was found.

    None where the results do not say; the nearest step stands for a step between two.
    """
    wanted = movement.get("wanted_gap_um")
    if wanted is None or isinstance(wanted, int | float):
        return wanted
    if len(wanted) == 1:
        return wanted[0]
    steps, at = movement.get("parameter_mm"), movement.get("at_parameter_mm")
    if not steps or at is None or len(steps) != len(wanted):
        return None
    return wanted[min(range(len(steps)), key=lambda k: abs(steps[k] - at))]


def _least_spot_um(results: Mapping[str, Any]) -> float | None:
    """Return from which depth a place counts as high; None if not known, and of a high crown."""
    if (results.get("verdict") or {}).get("high") is not False:
        return None
    settings = results.get("settings") or {}
    return (settings.get("targets") or {}).get("least_spot_um")


def _closing_gap(crown: Mapping[str, Any], least_spot_um: float | None) -> list[str]:
    sentences = []
    for movement in crown.get("movements") or []:
        gap_um = movement.get("least_gap_um")
        if movement.get("name") != "centric" or gap_um is None:
            continue
        wanted_um = wanted_at_least_gap(movement)
        sentences.append(
            WORDS["closure_gap"].format(
                gap=with_unit(gap_um, "um"), wanted=with_unit(wanted_um, "um")
            )
        )
        if min(gap_um, gap_um if wanted_um is None else wanted_um) < 0:
            sentences[-1] += f" {WORDS['negative_gap']}"
        height_um = 0.0 if wanted_um is None else wanted_um - gap_um
        if least_spot_um is not None and 0.5 <= height_um < least_spot_um:
            sentences.append(
                WORDS["within_limit"].format(
                    height=with_unit(height_um, "um"), limit=with_unit(least_spot_um, "um")
                )
            )
    missing_um = crown.get("missing_contact_um")
    if missing_um is not None:
        sentences.append(WORDS["missing_contact"].format(missing=with_unit(missing_um, "um")))
        raise_um = crown.get("missing_contact_raise_um")
        if raise_um is not None:
            height = with_unit(raise_um, "um")
            sentences.append(WORDS["missing_contact_raise"].format(height=height))
    return sentences


def _steps(spots: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    """Return what to take off, a place a step, in the order of work; the deepest are named."""
    named = sorted(spots[:SPOTS_IN_WORDS], key=lambda spot: spot.get("order") or 0)
    steps = [_step(spot) for spot in named]
    left = len(spots) - len(steps)
    return (*steps, WORDS["more_spots"].format(n=left)) if left > 0 else tuple(steps)


def _step(spot: Mapping[str, Any]) -> str:
    words, depth_um, shortfall_um = (
        _spot_words(spot),
        spot.get("depth_um"),
        spot.get("shortfall_um"),
    )
    if spot.get("feasible") is False and depth_um is not None and shortfall_um is not None:
        part = with_unit(depth_um - shortfall_um, "um")
        return WORDS["step_part"].format(part=part, **words)
    return WORDS["step"].format(**words)


def _after(
    crown: Mapping[str, Any], named: Sequence[Mapping[str, Any]], spots: Sequence[Mapping[str, Any]]
) -> list[str]:
    if not spots:
        return []
    sentences = []
    minor_um = [_depth(spot) for spot in spots if spot.get("minor")]
    if minor_um and named:
        sentences.append(minor_words(minor_um))
    volume_mm3 = crown.get("removed_volume_mm3")
    if volume_mm3 is not None and named:
        sentences.append(WORDS["volume_in_all"].format(volume=with_unit(volume_mm3, "mm3")))
    stay = [
        WORDS["not_feasible_one"].format(**_spot_words(spot))
        for spot in named
        if spot.get("feasible") is False
    ]
    if stay:
        sentences.append(WORDS["not_feasible"].format(spots=joined(stay)))
        sentences += [
            WORDS["question"].format(id=spot.get("id"), question=spot["question"])
            for spot in spots
            if spot.get("question")
        ]
    n_left = (crown.get("after") or {}).get("n_spots")
    if n_left is not None:
        left = WORDS["after_left"].format(n=n_left)
        sentences.append(left if n_left else WORDS["after_clear"])
    return sentences


def minor_words(depth_um: Sequence[float]) -> str:
    """Return in words how many minor places there are and how deep they are (um)."""
    if len(depth_um) == 1:
        return WORDS["minor_one"].format(depth=with_unit(depth_um[0], "um"))
    return WORDS["minor_many"].format(
        n=len(depth_um), least=written(min(depth_um), "um"), most=with_unit(max(depth_um), "um")
    )


def _sure(state: str) -> str:
    return WORDS.get(f"sure_{state}", WORDS["sure_unknown"])


def _reasons(state: str, verdict: Mapping[str, Any]) -> tuple[str, ...]:
    reasons = tuple(str(reason).rstrip(".") for reason in verdict.get("reasons") or [])
    needs_one = state in ("doubtful", "refused")
    return reasons or ((WORDS["no_reasons"],) if needs_one else ())


def _trust(results: Mapping[str, Any], verdict: Mapping[str, Any]) -> list[str]:
    sentences = []
    sides_um = (results.get("registration") or {}).get("side_disagreement_um")
    if isinstance(sides_um, Mapping):
        sides_um = sides_um.get("crown", sides_um.get("crown_um"))
    if sides_um is not None:
        sentences.append(WORDS["sides_disagree"].format(value=with_unit(sides_um, "um")))
    datum_um = (results.get("datum") or {}).get("disagreement_um")
    if datum_um is not None:
        sentences.append(WORDS["datum_disagrees"].format(value=with_unit(datum_um, "um")))
    axis = axis_sentence(results)
    if axis is not None:
        sentences.append(axis)
    chance = chance_sentence(results.get("crown") or {})
    if chance is not None:
        sentences.append(chance)
    coverage = verdict.get("coverage")
    if coverage is not None:
        percent = written(math.floor(1000.0 * coverage + 1e-6) / 10.0)
        sentences.append(WORDS["coverage"].format(percent=percent))
    sentences.append(WORDS["confirm"])
    return sentences
