"""What the page is built of. It never changes after it is loaded; callbacks fill it from disk."""

from __future__ import annotations

from typing import Any

from dash import dcc, html

from occlusim.app.aria import aria
from occlusim.app.english import CHOICES, LABELS, WORDS
from occlusim.app.fields import BY_KEY, FIELDS, Field, default_of
from occlusim.app.uploads import MAX_BYTES
from occlusim.jaw.numbering import LOWER_ARCH, UPPER_ARCH, tooth_name, universal_from_iso
from occlusim.report.words import CAUTIONS

TICK_MS = 1000
SLOTS = ("upper", "lower", "bite", "crown")
AXES = ("x", "y", "z")
PAIRS = ("guidance.sagittal_inclination_deg", "guidance.bennett_angle_deg")
"""Settings of which the patient's right and left are asked for side by side."""


def page(folder: str) -> html.Div:
    """Return the whole page for a folder of cases."""
    return html.Div(
        [
            html.A(WORDS["skip"], href="#content", className="skip"),
            dcc.Location(id="location", refresh=True),
            dcc.Interval(id="tick", interval=TICK_MS),
            dcc.Store(id="nudge"),
            dcc.Store(id="case-id"),
            dcc.Store(id="seen-draft"),
            dcc.Store(id="seen-run"),
            dcc.Store(id="seen-list"),
            html.Main([_start(folder), _case()], id="content", tabIndex="-1"),
            html.Section(
                [html.H2(WORDS["cautions"]), html.Ul([html.Li(text) for text in CAUTIONS])],
                className="cautions",
                **aria(label=WORDS["cautions"]),
            ),
        ],
        lang=WORDS["language"],
    )


def _data(**values: str) -> dict[str, Any]:
    return {f"data-{name}": value for name, value in values.items()}


def _start(folder: str) -> html.Div:
    return html.Div(
        [
            html.P(WORDS["title"], className="kicker"),
            html.H1(WORDS["start_heading"]),
            html.P(WORDS["start_intro"]),
            html.P(WORDS["folder"].format(folder=folder), className="note"),
            html.P("", id="start-words", role="alert", className="error"),
            html.H2(WORDS["new_heading"]),
            html.Div(
                [
                    html.Label(WORDS["new_label"], htmlFor="new-name"),
                    html.P(WORDS["new_hint"], className="note", id="new-hint"),
                    html.Div(
                        [
                            dcc.Input(
                                id="new-name", type="text", maxLength=100, autoComplete="off"
                            ),
                            html.Button(WORDS["new_button"], id="new-button", className="main"),
                        ],
                        className="row",
                    ),
                    html.P("", id="new-words", role="alert", className="error"),
                ]
            ),
            html.P(
                [
                    html.Button(WORDS["demo_button"], id="demo-button"),
                    html.Span(WORDS["demo_hint"], className="note"),
                ],
                className="row",
            ),
            html.H2(WORDS["list_heading"]),
            html.Div(id="case-list"),
        ],
        id="start",
        hidden=True,
    )


def _case() -> html.Div:
    return html.Div(
        [
            html.P(html.A(WORDS["all_cases"], id="to-list", href="?"), className="kicker"),
            html.H1("", id="case-title"),
            html.Div(
                [
                    html.Div([_files(), _settings()], className="column"),
                    html.Div([_view()], className="column stays"),
                ],
                className="columns",
            ),
            _run(),
            _result(),
        ],
        id="case",
        hidden=True,
    )


def _files() -> html.Section:
    slots = [
        html.Div(
            [
                html.H3(WORDS[f"role_{slot}"], id=f"slot-{slot}"),
                html.P(WORDS[f"about_{slot}"], className="note"),
                html.Div(
                    [
                        html.Button(
                            WORDS["choose_more" if slot == "bite" else "choose_one"],
                            className="choose",
                            id=f"choose-{slot}",
                            type="button",
                            **aria(describedby=f"slot-{slot}"),
                        ),
                        html.Span(
                            WORDS["drop_hint_more" if slot == "bite" else "drop_hint"],
                            className="note",
                        ),
                    ],
                    className="row",
                ),
                html.Div("", id=f"upload-{slot}", role="status", className="upload"),
                html.Div("", id=f"upload-error-{slot}", role="alert", className="error"),
                html.Div(id=f"files-{slot}"),
            ],
            className="slot",
            **_data(role=slot, most=str(MAX_BYTES)),
        )
        for slot in SLOTS
    ]
    return html.Section(
        [
            html.H2(WORDS["files_heading"]),
            html.P(WORDS["files_intro"].format(most=MAX_BYTES / 1e6), className="note"),
            html.Fieldset(slots, id="files-set", className="bare"),
            html.Div("", id="remove-words", role="alert", className="error"),
        ]
    )


def _view() -> html.Section:
    picks = [field.key for field in FIELDS if field.kind == "point"]
    return html.Section(
        [
            html.H2(WORDS["view_heading"]),
            html.Fieldset(
                [
                    html.Legend(WORDS["view_which"]),
                    dcc.RadioItems(id="view-which", options=[], value=None, className="choices"),
                ],
                className="bare",
            ),
            html.P(WORDS["view_empty"], id="view-empty", className="absent"),
            html.Div(
                dcc.Graph(
                    id="view",
                    figure={},
                    config={
                        "displaylogo": False,
                        "responsive": True,
                        "scrollZoom": True,
                        "modeBarButtons": [["resetCameraDefault3d"]],
                    },
                    style={"height": "100%"},
                ),
                id="view-box",
                className="plot",
                hidden=True,
                role="group",
                **aria(label=""),
            ),
            html.P(WORDS["view_note"], className="note"),
            html.Details(
                [
                    html.Summary(WORDS["pick_label"]),
                    dcc.RadioItems(
                        id="pick",
                        options=[{"label": WORDS["pick_none"], "value": ""}]
                        + [{"label": _bare(LABELS[key][0]), "value": key} for key in picks],
                        value="",
                        className="choices",
                    ),
                    html.P(WORDS["pick_hint"], className="note"),
                ]
            ),
            html.P("", id="pick-words", role="status"),
        ]
    )


def _bare(label: str) -> str:
    return label.removesuffix(" (mm)")


def _settings() -> html.Section:
    plain = [_setting(field) for field in FIELDS if not field.advanced]
    return html.Section(
        [
            html.H2(WORDS["settings_heading"]),
            html.Fieldset(
                [
                    *plain,
                    html.Details(
                        [
                            html.Summary(WORDS["more_settings"]),
                            html.P(WORDS["more_intro"], className="note"),
                            *_advanced(),
                        ]
                    ),
                ],
                id="settings-set",
                className="bare",
            ),
        ]
    )


def _advanced() -> list[Any]:
    shown: list[Any] = []
    for field in FIELDS:
        if not field.advanced:
            continue
        pair = next((key for key in PAIRS if field.key.startswith(f"{key}.")), None)
        if pair is None:
            shown.append(_setting(field))
        elif field.key.endswith(".right"):
            shown.append(_both_sides(pair))
    return shown


def _both_sides(key: str) -> html.Fieldset:
    label, about = LABELS[key]
    sides = [BY_KEY[f"{key}.{side}"] for side in ("right", "left")]
    return html.Fieldset(
        [
            html.Legend(label),
            html.P(about, className="note"),
            html.Div(
                [
                    html.Div(
                        [
                            html.Label(CHOICES[side.key.rsplit(".", 1)[1]], htmlFor=side.id),
                            _number(side),
                            _error(side),
                        ]
                    )
                    for side in sides
                ],
                className="row",
            ),
        ],
        className="setting",
    )


def _setting(field: Field) -> Any:
    label, about = LABELS[field.key]
    note = html.P(about, className="note")
    if field.kind in ("number", "teeth"):
        entry = _number(field) if field.kind == "number" else _text(field)
        return html.Div(
            [html.Label(label, htmlFor=field.id), note, entry, _error(field)], className="setting"
        )
    if field.kind == "tooth":
        parts: list[Any] = [_tooth_chart(field)]
    elif field.kind == "choice":
        parts = [_choice(field)]
    else:
        parts = [_point(field)]
    return html.Fieldset([html.Legend(label), note, *parts, _error(field)], className="setting")


def _error(field: Field) -> html.P:
    return html.P("", id=f"error-{field.id}", className="error", role="status")


def _number(field: Field) -> dcc.Input:
    default = default_of(field.key)
    hint = "" if default is None else WORDS["default"].format(value=f"{default:g}")
    return dcc.Input(id=field.id, type="number", step="any", debounce=True, placeholder=hint)


def _text(field: Field) -> dcc.Input:
    return dcc.Input(id=field.id, type="text", debounce=True, autoComplete="off", maxLength=200)


def _choice(field: Field) -> dcc.RadioItems:
    options = [{"label": CHOICES[choice], "value": choice} for choice in field.choices]
    if field.preselected == "":
        options.insert(0, {"label": WORDS["not_stated"], "value": ""})
    return dcc.RadioItems(
        id=field.id, options=options, value=field.preselected, className="choices"
    )


def _tooth_chart(field: Field) -> dcc.RadioItems:
    options = [
        {
            "label": html.Span(
                [
                    html.Strong(str(tooth)),
                    html.Small(str(universal_from_iso(tooth))),
                    html.Span(tooth_name(tooth), className="hidden"),
                ],
                className="tooth",
            ),
            "value": str(tooth),
            "title": f"{tooth_name(tooth)}; "
            + WORDS["universal"].format(number=universal_from_iso(tooth)),
        }
        for tooth in (*UPPER_ARCH, *LOWER_ARCH)
    ]
    return dcc.RadioItems(id=field.id, options=options, value=None, className="teeth")


def _point(field: Field) -> html.Div:
    parts = []
    for axis in AXES:
        name = f"{field.id}-{axis}"
        parts += [
            html.Label(WORDS[f"axis_{axis}"], htmlFor=name),
            dcc.Input(id=name, type="number", step="any", debounce=True),
        ]
    return html.Div(parts, className="row point")


def _run() -> html.Section:
    return html.Section(
        [
            html.H2(WORDS["run_heading"]),
            html.Div(id="problems"),
            html.P("", id="run-words", role="alert", className="error"),
            html.Div(
                [
                    html.Button(WORDS["run_button"], id="run-button", className="main"),
                    html.Button(WORDS["cancel_button"], id="cancel-button", hidden=True),
                ],
                className="row",
            ),
            html.Div(
                [
                    html.Progress(
                        id="progress", max="100", value="0", **aria(label=WORDS["progress"])
                    ),
                    html.P("", id="stage", role="status"),
                    html.P("", id="elapsed", className="note"),
                ],
                id="progress-box",
                hidden=True,
            ),
            html.Div("", id="ended", role="status"),
        ]
    )


def _result() -> html.Section:
    return html.Section(
        [
            html.H2(WORDS["result_heading"]),
            html.P("", id="stale", role="status", className="stale"),
            html.Div(html.P(WORDS["result_none"], className="absent"), id="result"),
        ]
    )
