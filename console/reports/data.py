"""A report as JSON and as CSV, for programs.

Times are ISO 8601 in UTC, lengths are numbers in the unit of the column's name.
"""

from __future__ import annotations

import csv
import io
import json

from console.errors import UserError
from console.ledger.export import utc_text
from console.reports.gather import Filled, Report, traced
from console.reports.kinds import Kind, Value


def as_json(report: Report) -> str:
    """One object: every section with its rows and the query that gave them.

    Of a section that is worked out, `how` says how, and `known` whether it could be.
    """
    return json.dumps(
        {
            "title": report.title,
            "ledger": str(report.ledger),
            "made": utc_text(report.made_ns),
            "night_ids": list(report.night_ids),
            "sections": {
                filled.section.id: {
                    "title": filled.section.title,
                    "rows": records(filled),
                    "query": traced(filled.section, report.night_ids),
                    **_worked(filled),
                }
                for filled in report.sections
            },
        },
        ensure_ascii=False,
        indent=1,
    )


def _worked(filled: Filled) -> dict[str, object]:
    if not filled.section.how:
        return {}
    return {"known": filled.known, "note": filled.note, "how": filled.how}


def records(filled: Filled) -> list[dict[str, Value]]:
    """The rows as objects."""
    columns = filled.section.columns
    return [
        {c.name: _plain(v, c.kind) for c, v in zip(columns, row, strict=True)}
        for row in filled.rows
    ]


def as_csv(report: Report, section: str) -> str:
    """One section as RFC 4180 with a line of names. Raises UserError where it is not known."""
    (filled,) = (f for f in report.sections if f.section.id == section)
    if not filled.known:
        raise UserError(f"the section {section} is not known", filled.note)
    out = io.StringIO()
    writer = csv.DictWriter(out, [c.name for c in filled.section.columns])
    writer.writeheader()
    writer.writerows(records(filled))
    return out.getvalue()


def _plain(value: Value, kind: Kind) -> Value:
    return utc_text(int(value)) if kind is Kind.TIME and value is not None else value
