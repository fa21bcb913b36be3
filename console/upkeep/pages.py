"""Upkeep as the screens show it: each look opens the ledger anew and closes it again."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from console.ledger.entries import ServiceKind
from console.ledger.opening import explaining
from console.ledger.upkeep import UpkeepReader
from console.site.fittings import Fitting, Task, find, id_of
from console.site.loading import load
from console.site.models import Site
from console.upkeep.outlook import Due, Outlook
from console.upkeep.saying import KIND_WORDS, chance_words, fact_lines, mark_words, when_words
from console.views.upkeep import (
    PartPage,
    SeasonTable,
    TravelChart,
    UpkeepItem,
    UpkeepList,
    WorkRecord,
    Worsening,
)

if TYPE_CHECKING:
    from console.upkeep.watching import Watched

CHARTED = 400
"""How many of the newest values a chart shows."""


class UpkeepPages:
    """A `console.views.upkeep.UpkeepLook` on the site file and ledger that `held` names."""

    def __init__(self, held: Callable[[str], Path]) -> None:
        """`held("site")` and `held("ledger")` are asked anew each time."""
        self._held = held
        self._site: tuple[Path, int, Site] | None = None

    def due(self, *, everything: bool = False) -> UpkeepList:
        """What is due and will be."""
        with self._look() as (outlook, _):
            items = tuple(_item(outlook, due) for due in outlook.due(everything=everything))
            ahead = outlook.ahead
            words = (
                f"next night {ahead[0].date:%a} {ahead[0].date}, {len(ahead)} ahead"
                if ahead
                else "no night ahead in the site file's calendar"
            )
            return UpkeepList(words, items)

    def worse(self) -> list[Worsening]:
        """What is getting worse, over the whole site."""
        from console.upkeep.watching import Watch

        with self._look() as (outlook, reader):
            watch = Watch(outlook, reader)
            found = []
            for prop in outlook.site.props:
                for flag in watch.flags(prop.name):
                    since = (
                        f", since {outlook.history.day_of(flag.since_wall_ns)}"
                        if flag.since_wall_ns
                        else ""
                    )
                    place = "/".join(word for word in (flag.prop, flag.motion) if word)
                    found.append(Worsening(place, flag.text + since, flag.cause))
            return found

    def part(self, subject: str) -> PartPage:
        """One part's page."""
        from console.upkeep.watching import Watch

        with self._look() as (outlook, reader):
            fitting, _ = find(outlook.fittings, subject)
            part = outlook.part(fitting)
            charts: list[Watched] = []
            if fitting.motion:
                charts = Watch(outlook, reader).prop(fitting.prop, [fitting.motion])
            return PartPage(
                _subject(fitting, None),
                fitting.id,
                tuple(fact_lines(outlook, part)),
                tuple(_item(outlook, due) for due in outlook.due_of(part)),
                _work(reader, fitting),
                tuple(_chart(watched) for watched in charts),
            )

    def season(self) -> SeasonTable:
        """Cycles per prop and night, in walking order."""
        site = self._load()
        with self._reader() as reader:
            nights, cycles = reader.night_spans(), reader.night_cycles()
        names = [p.name for p in site.props]
        names += sorted(name for name in cycles if name not in names)
        return SeasonTable(
            tuple(night.date for night in nights),
            tuple(
                (name, tuple(cycles.get(name, {}).get(night.night_id, 0) for night in nights))
                for name in names
            ),
        )

    def _load(self) -> Site:
        """The site, read again when its file has changed: it is far slower than the ledger.

        Two looks at once may each read it; either is as good.
        """
        path = self._held("site")
        changed_ns = path.stat().st_mtime_ns if path.exists() else 0
        held = self._site
        if held is None or held[:2] != (path, changed_ns):
            held = self._site = (path, changed_ns, load(path))
        return held[2]

    @contextmanager
    def _reader(self) -> Iterator[UpkeepReader]:
        path = self._held("ledger")
        with explaining(path), UpkeepReader.open(path) as reader:
            yield reader

    @contextmanager
    def _look(self) -> Iterator[tuple[Outlook, UpkeepReader]]:
        site = self._load()
        with self._reader() as reader:
            yield Outlook(site, reader, time.time_ns()), reader


def _subject(fitting: Fitting, task: Task | None) -> str:
    """Always three words, as the action takes them; the task behind a colon."""
    return "/".join(fitting.key) + (f":{task.name}" if task else "")


def _item(outlook: Outlook, due: Due) -> UpkeepItem:
    mark, last = due.nearest, due.last
    return UpkeepItem(
        subject=_subject(due.fitting, due.task),
        id=due.id,
        title=due.task.title,
        kind=due.fitting.kind,
        standing=due.standing.value,
        share=mark.share if mark else None,
        used=mark_words(mark),
        when=when_words(due, outlook.today),
        chance=chance_words(due.forecast),
        entry=last.seq if last else 0,
        recorded_wall_ns=last.recorded_ns if last else 0,
        by=last.by if last else "",
    )


def _work(reader: UpkeepReader, fitting: Fitting) -> tuple[WorkRecord, ...]:
    """Newest first."""
    rows = [
        row for row in reader.service(fitting.prop, fitting.name) if row.motion == fitting.motion
    ]
    newest = {row.about: row.seq for row in rows if row.about is not None}
    found = []
    for row in reversed(rows):
        what = KIND_WORDS[ServiceKind(row.kind)]
        what += f" ({row.task})" if row.task else ""
        what += f" with {id_of(row.other)}" if row.other else ""
        what += f", correcting entry {row.about}" if row.about is not None else ""
        what += "".join(f", {name} {value}" for name, value in row.readings.items())
        found.append(
            WorkRecord(
                row.seq, row.wall_ns, row.by, what, row.note,
                row.seq not in newest if row.about is None else newest[row.about] == row.seq,
            )
        )  # fmt: skip
    return tuple(found)


def _chart(watched: Watched) -> TravelChart:
    stream, chart, flagged = watched.stream, watched.stream.chart, watched.stream.flagged_at
    cut = max(0, stream.count - CHARTED)
    return TravelChart(
        sequence=watched.sequence,
        direction=watched.direction,
        values=tuple(chart.times_ms[cut:]),
        average=tuple(_ms(chart.expected[cut:], chart.average[cut:])),
        expected=tuple(_ms(chart.expected[cut:])),
        limit=tuple(_ms(chart.expected[cut:], chart.limit[cut:])),
        slower=stream.slower,
        learning=stream.learning,
        flagged_at=None if flagged is None else max(flagged - 1 - cut, 0),
    )


def _ms(*logarithms: Sequence[float]) -> list[float | None]:
    """Milliseconds from sums of logarithms, None where one of them is not known."""
    import numpy as np

    found = np.exp(np.sum(np.array(logarithms), axis=0)).tolist()
    return [None if math.isnan(ms) else ms for ms in found]
