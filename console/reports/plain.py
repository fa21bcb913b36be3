"""A report as text for the terminal and as Markdown."""

from __future__ import annotations

from collections.abc import Sequence

from console.reports.gather import Filled, Report, shown, traced
from console.reports.kinds import RIGHT


def cells(filled: Filled, report: Report) -> list[list[str]]:
    """Every value as people read it, on one line each."""
    kinds = [column.kind for column in filled.section.columns]
    return [
        [one_line(shown(v, kind, report)) for v, kind in zip(row, kinds, strict=True)]
        for row in filled.rows
    ]


def one_line(text: str) -> str:
    """Text from files and wires without line ends or control characters."""
    return "".join(c if c.isprintable() else " " for c in text)


def as_text(report: Report) -> str:
    """For a terminal or a printer with one width of letters."""
    parts = [f"{report.title}\n{'=' * len(report.title)}"]
    for filled in report.sections:
        section = filled.section
        said = [one_line(filled.note), _table(filled, report)]
        told = "\n".join(part for part in said if part)
        parts.append(f"{section.title}\n{'-' * len(section.title)}\n{told}")
    parts.append(
        f"From {report.ledger}. Each section is one query, or worked out from one: --query SECTION "
        "prints it, and by which formula; sections are "
        + ", ".join(f.section.id for f in report.sections)
        + "."
    )
    return "\n\n".join(parts) + "\n"


def _table(filled: Filled, report: Report) -> str:
    if not filled.rows:
        return filled.said
    columns = filled.section.columns
    rows = [[c.title for c in columns], *cells(filled, report)]
    widths = [max(len(row[i]) for row in rows) for i in range(len(columns))]
    return "\n".join(
        "  ".join(
            cell.rjust(width) if column.kind in RIGHT else cell.ljust(width)
            for cell, width, column in zip(row, widths, columns, strict=True)
        ).rstrip()
        for row in rows
    )


def as_markdown(report: Report) -> str:
    """GitHub-flavoured Markdown, with the queries at the end."""
    parts = [f"# {_escaped(report.title)}"]
    for filled in report.sections:
        parts.append(f"## {filled.section.title}")
        parts += [part for part in (_escaped(filled.note), _markdown_table(filled, report)) if part]
    parts.append(
        "## Where the figures come from\n\n"
        "Each section is one query on the ledger, or worked out from one."
    )
    for filled in report.sections:
        query = traced(filled.section, report.night_ids)
        parts.append(f"### {filled.section.id}\n\n```sql\n{query}\n```")
        if filled.how:
            parts.append(_escaped(filled.how))
    return "\n\n".join(parts) + "\n"


def _markdown_table(filled: Filled, report: Report) -> str:
    if not filled.rows:
        return filled.said
    columns = filled.section.columns
    rule = ["---:" if c.kind in RIGHT else "---" for c in columns]
    rows: list[Sequence[str]] = [[c.title for c in columns], rule]
    rows.extend([_escaped(cell) for cell in row] for row in cells(filled, report))
    return "\n".join(f"| {' | '.join(row)} |" for row in rows)


def _escaped(text: str) -> str:
    return "".join(f"\\{c}" if c in "\\`*_{}[]<>()#+|!~" else c for c in one_line(text))
