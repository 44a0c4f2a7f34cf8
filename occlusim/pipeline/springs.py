"""What other springs would say: the crown's height on softer, stiffer or quicker ones; joints."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from occlusim.contact.foundation import FoundationSettings
from occlusim.errors import OcclusimError
from occlusim.geometry.scan_check import Finding
from occlusim.motion.closure import Opposition
from occlusim.motion.datum import natural_datum
from occlusim.motion.equilibrium import Equilibrium
from occlusim.motion.excursion import GuidedPath
from occlusim.motion.linear_jaw import Statics
from occlusim.pipeline.crown_run import CrownAgainst
from occlusim.pipeline.guided import unloaded_words
from occlusim.pipeline.jaw_run import close_jaw
from occlusim.pipeline.jaw_stage import JawStage
from occlusim.pipeline.results import pairs_of
from occlusim.pipeline.units import UM


def other_springs(jaw: JawStage, pair: CrownAgainst, teeth: Sequence[int]) -> list[Finding]:
    """Return what other springs do to the crown's height above the datum in light closure.

    Each set of springs gives a closure without the crown, and the natural contacts' tightness and
    the crown's gap in it.
    """
    usual = _height_mm(jaw, pair, teeth, jaw.run.light)
    said, side = [], jaw.run.side.copy()
    for code, words, statics in variants(jaw.model.statics):
        model = replace(jaw.model, statics=statics)
        try:
            closed = close_jaw(model, (side,), model.light_N, jaw.run.light, is_rough=True)
        except OcclusimError as error:
            said.append(Finding("info", code, f"{words}: {error}", "crown"))
            continue
        change_um = (_height_mm(jaw, pair, teeth, closed) - usual) * UM
        said.append(
            Finding(
                "info", code,
                f"{words} would change the crown's height in closure by {change_um:+.1f} um",
                "crown",
            )
        )  # fmt: skip
    return said


def stiffer_shares(
    jaw: JawStage, crown: Opposition, others: Sequence[Opposition] = ()
) -> dict[str, float | None]:
    """Return the crown's light share on a foundation ten times stiffer; None: not found.

    `others` are further crowns that share the load.

    The usual foundation evens out a scan's noise and lets a high crown sink in; the truth lies
    between.
    """
    statics = jaw.model.statics
    stiff = FoundationSettings(10.0 * statics.foundation.stiffness_MPa_per_mm)
    model = replace(jaw.model, statics=replace(statics, foundation=stiff))
    start = jaw.run.light
    try:
        pressed = (jaw.run.side.copy(), crown, *others)
        closed = close_jaw(model, pressed, start.load_N, start, is_rough=True)
    except OcclusimError:
        return {"light": None}
    return {"light": float(closed.loads[1].vertical_N.sum()) / closed.support_N}


def variants(statics: Statics) -> list[tuple[str, str, Statics]]:
    """Return codes, words and springs that stand beside the case's own."""
    usual, mobility = statics.foundation.stiffness_MPa_per_mm, statics.mobility
    found = [
        (
            "stiffness_effect",
            f"a foundation ten times {word} ({usual * factor:g} MPa/mm)",
            replace(statics, foundation=FoundationSettings(usual * factor)),
        )
        for word, factor in (("softer", 0.1), ("stiffer", 10.0))
    ]
    other = "quick" if mobility.pace == "sustained" else "sustained"
    words = {
        "quick": "a quick bite, in which neither teeth nor condyles give way,",
        "sustained": "a sustained bite, in which teeth and condyles give way,",
    }[other]
    found.append(("pace_effect", words, replace(statics, mobility=replace(mobility, pace=other))))
    if mobility.pace == "sustained" and mobility.has_lateral:
        along = replace(statics, mobility=replace(mobility, has_lateral=False))
        found.append(("lateral_effect", "teeth that give way along their axes alone", along))
    return found


def _height_mm(
    jaw: JawStage, pair: CrownAgainst, teeth: Sequence[int], closed: Equilibrium
) -> float:
    datum = natural_datum(pairs_of(closed, 0, jaw.run.near), teeth)
    return datum.g_nat_mm - pair.least_gap(closed.T_upper_lower).gap_mm


def joint_findings(jaw: JawStage) -> list[Finding]:
    """Return where a condyle is unloaded or had to be held, and where a movement is in doubt."""
    closures = {"light closure": jaw.run.light, "heavy closure": jaw.run.heavy}
    free = [
        Finding("warning", "condyle_unloaded", words, "crown")
        for words in unloaded_words(closures, jaw.run.paths)
    ]
    held = [Finding("warning", "condyles_held", words, "crown") for words in jaw.run.held]
    short = [
        Finding("warning", "movement_cut_short", words, "crown")
        for words in cut_short_words(jaw.run.paths)
    ]
    return [*free, *held, *short, *(_edges(path) for path in jaw.run.paths if _n_edges(path))]


def cut_short_words(paths: Sequence[GuidedPath]) -> list[str]:
    """Return in words which movements could not be followed as far as was asked for."""
    return [
        f"{path.name}: followed to {float(np.abs(path.step_mm).max()):.2f} mm, not farther: "
        f"{path.ended_by}; what the crown does beyond it is not known"
        for path in paths
        if path.ended_by
    ]


def _n_edges(path: GuidedPath) -> int:
    return sum(rest.is_on_edge for rest in path.rest)


def _edges(path: GuidedPath) -> Finding:
    """Return where teeth stand edge on edge along a movement."""
    first = next(s for s, rest in zip(path.step_mm, path.rest, strict=True) if rest.is_on_edge)
    words = (
        f"{path.name}: at {_n_edges(path)} of {len(path.rest)} steps, first at {float(first):.2f} "
        "mm, a tooth is about to slip past another's edge: the pose is known there, but the load "
        "that is carried is not the one wanted"
    )
    return Finding("info", "teeth_edge_on_edge", words, "crown", _n_edges(path))
