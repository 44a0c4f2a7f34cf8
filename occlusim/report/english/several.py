"""English: a case of several crowns."""

from __future__ import annotations

from collections.abc import Mapping

SEVERAL: Mapping[str, str] = {
    "several": "All crowns of the case",
    "several_intro": "This page is about the crown in its title; each of the others has a page of "
    "its own. A crown is planned against the ones before it as they were adjusted and the ones "
    "after it as they are designed: what two crowns overlap is taken off the one named first in "
    "the case file. The proof runs with all of them adjusted.",
    "several_caption": "The crowns, in the order of the case file",
    "several_crown": "Crown",
    "several_answer": "Answer",
    "several_spots": "Spots",
    "several_deepest": "Deepest",
    "several_left": "Left after adjusting",
    "several_report": "Page",
    "several_next": "Crown {teeth}: {headline}",
}
