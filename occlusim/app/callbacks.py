"""What the page does: every callback reads the case's folder and writes to it, and keeps nothing.

A tick a second brings changes from disk (an upload, another tab, a run) to the page: a tab
remembers the revision of what it shows and is left alone while that is the one on disk.
"""

from __future__ import annotations

import time
from typing import Any

from dash import ALL, Dash, Input, Output, State, ctx, no_update
from dash.exceptions import PreventUpdate

from occlusim.app import parts, view3d
from occlusim.app.demo import demo_into
from occlusim.app.english import LABELS, WORDS
from occlusim.app.fields import BY_KEY, FIELDS, IN_SPACE, POINT_SCAN
from occlusim.app.jobs import Runs
from occlusim.app.layout import AXES, SLOTS
from occlusim.app.previews import read_preview
from occlusim.app.store import BUSY, ROLES, Store, StoredCase, place_words
from occlusim.app.uploads import inspect_again, unit_of
from occlusim.errors import InputError, OcclusimError
from occlusim.jaw.numbering import is_upper

COMPONENTS: tuple[tuple[str, str, int | None], ...] = tuple(
    (name, field.key, axis)
    for field in FIELDS
    for name, axis in (
        [(f"{field.id}-{letter}", k) for k, letter in enumerate(AXES)]
        if field.kind in IN_SPACE
        else [(field.id, None)]
    )
)
"""Every entry of the settings: its component, its setting, its place in a point."""


def add_callbacks(app: Dash, store: Store, runs: Runs, prefix: str) -> None:
    """Add all callbacks to the page.

    Parameters
    ----------
    app
    store, runs
    prefix
        What the addresses of the page begin with, ending with a slash.
    """
    _start(app, store)
    _draft(app, store)
    _view(app, store)
    _run(app, store, runs, prefix)


def _case(store: Store, case_id: object) -> StoredCase:
    case = store.get(case_id) if case_id else None
    if case is None:
        raise PreventUpdate
    return case


def _start(app: Dash, store: Store) -> None:
    @app.callback(
        Output("case-id", "data"),
        Output("start", "hidden"),
        Output("case", "hidden"),
        Output("case-title", "children"),
        Output("start-words", "children"),
        Input("location", "search"),
    )
    def navigate(search: str | None) -> Any:
        wanted = (search or "").removeprefix("?")
        case_id = wanted.removeprefix("case=") if wanted.startswith("case=") else None
        if case_id is None:
            return None, False, True, "", ""
        if store.get(case_id) is None:
            return None, False, True, "", WORDS["no_such_case"].format(name=case_id)
        return case_id, True, False, case_id, ""

    @app.callback(
        Output("case-list", "children"),
        Output("seen-list", "data"),
        Input("tick", "n_intervals"),
        Input("case-id", "data"),
        State("seen-list", "data"),
    )
    def show_list(_tick: int | None, case_id: str | None, seen: Any) -> Any:
        if case_id:
            raise PreventUpdate
        cases = store.cases()
        now = [[case.id, case.changed] for case in cases]
        if now == seen:
            raise PreventUpdate
        return parts.list_part(cases), now

    @app.callback(
        Output("location", "href"),
        Output("new-words", "children"),
        Input("new-button", "n_clicks"),
        Input("new-name", "n_submit"),
        Input("demo-button", "n_clicks"),
        State("new-name", "value"),
        prevent_initial_call=True,
    )
    def create(_click: Any, _enter: Any, _demo: Any, name: str | None) -> Any:
        try:
            case = (
                demo_into(store) if ctx.triggered_id == "demo-button" else store.create(name or "")
            )
        except OcclusimError as error:
            return no_update, str(error)
        return f"?case={case.id}", ""


def _draft(app: Dash, store: Store) -> None:
    @app.callback(
        *[Output(f"files-{slot}", "children") for slot in SLOTS],
        *[Output(name, "value") for name, _, _ in COMPONENTS],
        Output("view-which", "options"),
        Output("seen-draft", "data"),
        Input("tick", "n_intervals"),
        Input("nudge", "data"),
        Input("case-id", "data"),
        State("seen-draft", "data"),
    )
    def show(_tick: Any, _nudge: Any, case_id: str | None, seen: Any) -> Any:
        case = _case(store, case_id)
        draft = case.draft()
        now = [case.id, draft["revision"]]
        if seen and seen[:2] == now:
            raise PreventUpdate
        files = draft["files"]
        values = [_shown(draft["fields"], key, axis) for _, key, axis in COMPONENTS]
        # What has not changed is left alone: it may be being entered just now.
        before = seen[2] if seen and seen[0] == case.id else [object()] * len(values)
        return (
            *(parts.slot_parts(files, slot) for slot in SLOTS),
            *(no_update if v == b else v for v, b in zip(values, before, strict=True)),
            [{"label": place_words(p), "value": p} for p in ROLES if p in files],
            [*now, values],
        )

    @app.callback(
        Output("seen-draft", "data", allow_duplicate=True),
        Output("run-words", "children", allow_duplicate=True),
        *[Input(name, "value") for name, _, _ in COMPONENTS],
        State("case-id", "data"),
        State("seen-draft", "data"),
        prevent_initial_call=True,
    )
    def save(*values: Any) -> Any:
        *entered, case_id, seen = values
        case = _case(store, case_id)
        if not seen or seen[0] != case.id:
            raise PreventUpdate  # the fields do not show this case yet
        # What was only shown is not saved: another tab may have changed it meanwhile.
        changed = {
            key
            for (_, key, _), value, shown in zip(COMPONENTS, entered, seen[2], strict=True)
            if value != shown
        }
        fields = {key: value for key, value in _entered(entered).items() if key in changed}
        unit_before = unit_of(case)
        try:
            revision = case.set_fields(fields)
            if unit_of(case) != unit_before:
                inspect_again(case)
        except InputError as error:
            return no_update, str(error)
        if revision == seen[1]:
            raise PreventUpdate
        # Where more has changed than this, what is new is shown at the next tick.
        return [case.id, revision if revision == seen[1] + 1 else seen[1], entered], ""

    @app.callback(
        Output("problems", "children"),
        Output("run-button", "disabled"),
        *[Output(f"error-{field.id}", "children") for field in FIELDS],
        Output("files-set", "disabled"),
        Output("settings-set", "disabled"),
        Input("seen-draft", "data"),
        Input("seen-run", "data"),
    )
    def judge(seen: Any, _run: Any) -> Any:
        case = _case(store, seen and seen[0])
        problems, busy = case.problems(), case.is_busy
        entered = case.draft()["fields"]
        errors = [
            "" if words == WORDS["needed"] and field.key not in entered else words
            for field in FIELDS
            for words in [problems.fields.get(field.key, "")]
        ]
        ready = not problems and not busy
        return (
            "" if busy else parts.problems_part(problems),
            not ready,
            *errors,
            busy,
            busy,
        )

    @app.callback(
        Output("nudge", "data"),
        Output("remove-words", "children"),
        Input({"remove": ALL}, "n_clicks"),
        State("case-id", "data"),
        prevent_initial_call=True,
    )
    def remove(clicks: list[int | None], case_id: str | None) -> Any:
        if not any(clicks) or not isinstance(ctx.triggered_id, dict):
            raise PreventUpdate
        try:
            _case(store, case_id).remove_file(ctx.triggered_id["remove"])
        except InputError as error:
            return no_update, str(error)
        return time.time(), ""


def _shown(fields: dict[str, Any], key: str, axis: int | None) -> Any:
    value = fields.get(key)
    if axis is not None:
        return value[axis] if value else None
    return BY_KEY[key].preselected if value is None else value


def _entered(values: list[Any]) -> dict[str, Any]:
    fields: dict[str, Any] = {}
    for (_, key, axis), value in zip(COMPONENTS, values, strict=True):
        if axis is None:
            fields[key] = value
        else:
            fields.setdefault(key, []).append(value)
    return fields


def _arch_of(place: str, fields: dict[str, Any]) -> str:
    """Return the arch in whose coordinates a file is; a crown is in those of its tooth's."""
    if place != "crown":
        return place
    tooth = fields.get("crown.tooth")
    return "upper" if tooth is None or is_upper(int(tooth)) else "lower"


def _view(app: Dash, store: Store) -> None:
    @app.callback(
        Output("view-which", "value"),
        Input("view-which", "options"),
        State("view-which", "value"),
    )
    def choose(options: list[dict[str, str]], value: str | None) -> Any:
        there = [option["value"] for option in options or []]
        if value in there:
            raise PreventUpdate
        return there[0] if there else None

    @app.callback(
        Output("view", "figure"),
        Output("view-box", "hidden"),
        Output("view-empty", "hidden"),
        Output("view-box", "aria-label"),
        Input("view-which", "value"),
        Input("seen-draft", "data"),
    )
    def draw(place: str | None, seen: Any) -> Any:
        case = _case(store, seen and seen[0])
        preview = read_preview(case, place) if place else None
        if place is None or preview is None:
            return {}, True, False, ""
        fields = case.draft()["fields"]
        points = {
            key: fields[key]
            for key, scan in POINT_SCAN.items()
            if scan == place and key in fields and None not in fields[key]
        }
        label = WORDS["view_name"].format(what=place_words(place))
        own = _arch_of(place, fields)
        arch = read_preview(case, own) if place == "crown" else None
        figure = view3d.scan_figure(place, preview, points, arch, is_lower=own == "lower")
        return figure, False, True, label

    points = [(name, key, axis) for name, key, axis in COMPONENTS if axis is not None]

    @app.callback(
        Output("pick-words", "children"),
        *[Output(name, "value", allow_duplicate=True) for name, _, _ in points],
        Input("view", "clickData"),
        State("pick", "value"),
        State("view-which", "value"),
        prevent_initial_call=True,
    )
    def pick(click: Any, key: str | None, place: str | None) -> Any:
        point = view3d.clicked_point(click)
        if not key or point is None:
            raise PreventUpdate
        what = LABELS[key][0].removesuffix(" (mm)")
        if place != POINT_SCAN[key]:
            words = WORDS["pick_wrong"].format(what=what, scan=place_words(POINT_SCAN[key]))
            return (words, *[no_update] * len(points))
        x, y, z = point
        return (
            WORDS["pick_done"].format(what=what, x=x, y=y, z=z),
            *[point[axis] if k == key and axis is not None else no_update for _, k, axis in points],
        )


def _run(app: Dash, store: Store, runs: Runs, prefix: str) -> None:
    @app.callback(
        Output("run-words", "children"),
        Output("nudge", "data", allow_duplicate=True),
        Input("run-button", "n_clicks"),
        Input("cancel-button", "n_clicks"),
        State("case-id", "data"),
        prevent_initial_call=True,
    )
    def start_or_cancel(_run: Any, _cancel: Any, case_id: str | None) -> Any:
        case = _case(store, case_id)
        try:
            if ctx.triggered_id == "run-button":
                runs.start(case)
            else:
                runs.cancel(case)
        except OcclusimError as error:
            return str(error), time.time()
        return "", time.time()

    @app.callback(
        Output("progress-box", "hidden"),
        Output("progress", "value"),
        Output("stage", "children"),
        Output("elapsed", "children"),
        Output("cancel-button", "hidden"),
        Output("seen-run", "data"),
        Input("tick", "n_intervals"),
        Input("nudge", "data"),
        Input("case-id", "data"),
        State("seen-run", "data"),
        State("stage", "children"),
    )
    def progress(_tick: Any, _nudge: Any, case_id: str | None, seen: Any, stage_before: str) -> Any:
        case = _case(store, case_id)
        run = case.run()
        busy = run["state"] in BUSY
        now = [case.id, run["state"], run.get("ended")]
        if not busy and seen == now:
            raise PreventUpdate
        percent = round(100 * run.get("share", 0.0))
        stage = ""
        if run["state"] == "queued":
            stage = WORDS["queued_words"].format(n=runs.place_in_queue(case))
        elif busy:
            stage = WORDS["progress_words"].format(percent=percent, stage=run["stage"])
        seconds = round(time.time() - run.get("begun", time.time()))
        return (
            not busy,
            str(percent),
            no_update if stage == stage_before else stage,
            WORDS["elapsed"].format(seconds=seconds) if run["state"] == "running" else "",
            not busy,
            no_update if seen == now else now,
        )

    @app.callback(
        Output("ended", "children"), Output("result", "children"), Input("seen-run", "data")
    )
    def show_result(seen: Any) -> Any:
        case = _case(store, seen and seen[0])
        run = case.run()
        result = parts.result_part(case, prefix)
        return parts.ended_part(run, case.results() is not None), result

    @app.callback(
        Output("stale", "children"), Input("seen-run", "data"), Input("seen-draft", "data")
    )
    def show_stale(run_seen: Any, _seen: Any) -> str:
        case = _case(store, run_seen and run_seen[0])
        if case.is_busy or case.results() is None:
            return ""
        return "" if case.is_current() else WORDS["stale"]
