"""What a notebook shows of a result: the answer in words and the table of high spots."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

from occlusim.report.numbers import plain
from occlusim.report.summary import answer, tooth_words
from occlusim.report.tables import Table, spot_table


def outcome_html(results: Mapping[str, Any]) -> str:
    """Return the answer and the spot table as HTML; whatever comes from the case is escaped."""
    results = plain(results)
    found = answer(results)
    about = ", ".join(
        part for part in (str(results.get("case_id") or ""), tooth_words(results)) if part
    )
    parts = [
        '<div style="max-width:60rem">',
        f"<p>{escape(about)}</p>",
        f"<p><strong>{escape(found.headline)}</strong></p>",
        *(f"<p>{escape(sentence)}</p>" for sentence in found.body),
        f"<p>{escape(found.sure)}</p>",
    ]
    if found.reasons:
        parts.append("<ul>" + "".join(f"<li>{escape(r)}</li>" for r in found.reasons) + "</ul>")
    parts += [f"<p>{escape(sentence)}</p>" for sentence in found.trust]
    table = spot_table((results.get("crown") or {}).get("spots") or [])
    if table is not None:
        parts.append(_table_html(table))
    return "".join([*parts, "</div>"])


def _table_html(table: Table) -> str:
    head = "".join(f'<th scope="col">{escape(column)}</th>' for column in table.columns)
    rows = "".join(
        f'<tr><th scope="row">{escape(row[0])}</th>'
        + "".join(f"<td>{escape(cell)}</td>" for cell in row[1:])
        + "</tr>"
        for row in table.rows
    )
    return (
        f"<table><caption>{escape(table.caption)}</caption>"
        f"<thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"
    )
