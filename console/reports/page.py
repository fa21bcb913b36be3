"""A report as one HTML file: no script, nothing loaded from anywhere, prints well on paper."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files

from console.reports.gather import Filled, Report, shown, traced
from console.reports.kinds import Kind
from console.reports.plain import cells, one_line

_LABEL_WIDTH = 190
_BAR_WIDTH = 200
_BAR_STEP = 20


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar of a plot, in SVG units."""

    label: str
    value: str
    y: int
    width: float


@dataclass(frozen=True, slots=True)
class Plot:
    """A bar plot of a section; every number in it stands in the section's table too."""

    bars: tuple[Bar, ...]
    label_width: int = _LABEL_WIDTH
    width: int = _LABEL_WIDTH + _BAR_WIDTH + 70

    @property
    def height(self) -> int:
        """Height in SVG units."""
        return len(self.bars) * _BAR_STEP


def as_html(report: Report) -> str:
    """The whole page. Foreign text is escaped by the template engine."""
    from jinja2 import Environment, StrictUndefined

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    source = (files("console.reports") / "report.html.j2").read_text("utf-8")
    sections = [
        {
            "id": filled.section.id,
            "title": filled.section.title,
            "note": one_line(filled.note),
            "empty": filled.said,
            "columns": [(c.title, _style(c.kind)) for c in filled.section.columns],
            "rows": cells(filled, report),
            "plot": plot(filled, report),
            "query": traced(filled.section, report.night_ids),
            "how": one_line(filled.how),
        }
        for filled in report.sections
    ]
    made = shown(report.made_ns, Kind.TIME, report)
    return environment.from_string(source).render(
        title=one_line(report.title), ledger=str(report.ledger), made=made, sections=sections
    )


def _style(kind: Kind) -> str:
    return {Kind.TEXT: "", Kind.DAY: "d"}.get(kind, "n")


def plot(filled: Filled, report: Report) -> Plot | None:
    """The section's bars; None where it has no plot or no rows."""
    if filled.section.bars is None or not filled.rows:
        return None
    label_at, value_at = (filled.column(name) for name in filled.section.bars)
    label_kind = filled.section.columns[label_at].kind
    value_kind = filled.section.columns[value_at].kind
    most = max(float(row[value_at] or 0) for row in filled.rows) or 1.0
    bars = []
    for at, row in enumerate(filled.rows):
        label = one_line(shown(row[label_at], label_kind, report))
        bars.append(
            Bar(
                label if len(label) <= 28 else label[:27] + "…",
                shown(row[value_at], value_kind, report),
                at * _BAR_STEP,
                round(float(row[value_at] or 0) / most * _BAR_WIDTH, 1),
            )
        )
    return Plot(tuple(bars))
