"""The parts of the page that change: a file's scan check, the list of cases, a result."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from dash import html

from occlusim.app.aria import aria
from occlusim.app.english import LABELS, WORDS
from occlusim.app.store import Problems, StoredCase, place_words
from occlusim.jaw.numbering import universal_from_iso
from occlusim.report.summary import answer, tooth_words
from occlusim.report.words import WORDS as REPORT_WORDS

DOWNLOADS = {
    "crown_adjusted.stl": "download_stl",
    "crown_adjusted.ply": "download_ply",
    "report.html": "download_report",
    "results.json": "download_results",
    "spots.csv": "download_spots",
}
"""Files of a result that may be fetched, and the words for them."""


def file_part(place: str, entry: Mapping[str, Any]) -> html.Div:
    """Return a file's name, size, scan check and the button to remove it."""
    found = entry["inspection"]
    x, y, z = found["size_mm"]
    verdict = "usable" if found["usable"] else "not_usable"
    loud = [f for f in found["findings"] if f["severity"] != "info"]
    quiet = [f for f in found["findings"] if f["severity"] == "info"]
    parts: list[Any] = [
        html.P(
            [
                html.Strong(entry["name"]),
                " ",
                html.Span(WORDS[verdict], className=f"state {verdict}"),
            ]
        ),
        html.P(WORDS["file_facts"].format(faces=found["n_faces"], x=x, y=y, z=z), className="note"),
    ]
    if loud:
        parts.append(_findings(loud))
    if quiet:
        summary = html.Summary(WORDS["more_notes"].format(n=len(quiet)))
        parts.append(html.Details([summary, _findings(quiet)]))
    parts.append(
        html.Button(
            WORDS["remove"],
            id={"remove": place},
            type="button",
            **aria(label=WORDS["remove_named"].format(name=place_words(place))),
        )
    )
    return html.Div(parts, className="file")


def _findings(findings: Sequence[Mapping[str, Any]]) -> html.Ul:
    return html.Ul(
        [
            html.Li([html.Strong(WORDS[f"severity_{f['severity']}"] + ": "), f["message"]])
            for f in findings
        ]
    )


def slot_parts(files: Mapping[str, Any], slot: str) -> Any:
    """Return what stands in a slot: its files, or that there is none."""
    places = [p for p in sorted(files) if p == slot or p.startswith(f"{slot}-")]
    if not places:
        return html.P(WORDS["no_file"], className="absent")
    return [file_part(place, files[place]) for place in places]


def problems_part(problems: Problems) -> Any:
    """Return what still lacks before a case can be run, each in words."""
    if not problems:
        return html.P(WORDS["ready"])
    lines = [
        *(WORDS["missing_file"].format(what=WORDS[f"role_{r}"]) for r in problems.missing),
        *(f"{_label(key)}: {words}" for key, words in problems.fields.items()),
        *problems.others,
    ]
    return [html.P(WORDS["still_needed"]), html.Ul([html.Li(line) for line in lines])]


def _label(key: str) -> str:
    return LABELS[key][0] if key in LABELS else LABELS[key.rsplit(".", 1)[0]][0]


def list_part(cases: Sequence[StoredCase]) -> Any:
    """Return the table of cases, each with its answer."""
    if not cases:
        return html.P(WORDS["list_empty"], className="absent")
    head = ("col_case", "col_tooth", "col_state", "col_answer", "col_changed")
    return html.Div(
        html.Table(
            [
                html.Thead(html.Tr([html.Th(WORDS[name], scope="col") for name in head])),
                html.Tbody([_row(case) for case in cases]),
            ]
        ),
        className="scroll",
        tabIndex="0",
        role="region",
        **aria(label=WORDS["list_heading"]),
    )


def _row(case: StoredCase) -> html.Tr:
    run, tooth = case.run(), case.draft()["fields"].get("crown.tooth")
    teeth = f"{tooth} ({universal_from_iso(tooth)})" if tooth else ""
    found = run.get("headline", "") if run["state"] == "done" else ""
    if found:
        found = f"{found} {REPORT_WORDS['state_' + run.get('verdict', 'unknown')]}."
    changed = datetime.fromtimestamp(case.changed).astimezone().strftime("%Y-%m-%d %H:%M")
    return html.Tr(
        [
            html.Th(html.A(case.id, href=f"?case={case.id}"), scope="row"),
            html.Td(teeth),
            html.Td(WORDS[f"state_{run['state']}"]),
            html.Td(found),
            html.Td(changed),
        ]
    )


def result_part(case: StoredCase, prefix: str) -> Any:
    """Return the answer in words, the downloads and the report of a case.

    `prefix` is what the addresses of the page begin with.
    """
    results = case.results()
    if results is None:
        return html.P(WORDS["result_none"], className="absent")
    found = answer(results)
    base = f"{prefix}case/{case.id}"
    started = str(results.get("started") or "")
    links = [
        html.Li(html.A(WORDS[words], href=f"{base}/file/{name}", download=f"{case.id}-{name}"))
        for name, words in DOWNLOADS.items()
        if (case.folder / "out" / name).is_file()
    ]
    return [
        html.Div(
            [
                html.P(tooth_words(results), className="note"),
                html.P(
                    [
                        found.headline,
                        " ",
                        html.Span(REPORT_WORDS[f"state_{found.state}"], className="state"),
                    ],
                    className="headline",
                ),
                *(html.P(sentence) for sentence in found.body),
                html.P(found.sure, className="trust"),
                html.Ul([html.Li(reason) for reason in found.reasons]) if found.reasons else None,
                *(html.P(sentence) for sentence in found.trust),
            ],
            className="answer",
        ),
        html.H3(WORDS["downloads"]),
        html.Ul([*links, _case_link(case, base)], className="downloads"),
        html.H3(WORDS["report_heading"]),
        html.P(
            html.A(
                WORDS["open_report"],
                id="open-report",
                href=f"{base}/report",
                target="_blank",
                rel="noopener",
            )
        ),
        html.Iframe(
            src=f"{base}/report?run={started}",
            title=WORDS["report_frame"].format(name=case.id),
            sandbox="allow-scripts allow-modals allow-downloads",
            className="report",
        ),
    ]


def _case_link(case: StoredCase, base: str) -> html.Li:
    return html.Li(
        html.A(WORDS["download_case"], href=f"{base}/file/case.toml", download=f"{case.id}.toml")
    )


def ended_part(run: Mapping[str, Any], has_result: bool) -> Any:
    """Return in words how a run ended, where it gave no result."""
    state = run["state"]
    if state == "failed":
        words = [html.H3(WORDS["failed_heading"])]
        words += [html.P(line) for line in str(run.get("error", "")).splitlines()]
    elif state in ("cancelled", "interrupted"):
        words = [html.P(WORDS[f"{state}_words"])]
    else:
        return ""
    if has_result:
        words.append(html.P(WORDS["kept_before"]))
    return html.Div(words, className="ended")
