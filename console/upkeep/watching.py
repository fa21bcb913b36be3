"""What is getting worse, from the ledger: slow motions, rising misses and delays, sticking valves.

Each stream of travel times begins with the newest work on its motion. Of a long stretch some cycles
of each of the first nights are read, from which the baseline is learned, and the newest; what lies
between would only have been charted.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import groupby
from operator import attrgetter, itemgetter
from statistics import fmean

from console.ledger.entries import Direction
from console.ledger.upkeep import TravelRow, UpkeepReader
from console.ledger.working import WEATHER
from console.rules.signs import COLD_CYCLES, cause, rising, warm
from console.rules.signs import sticks as sticks_on
from console.rules.slowing import Limits, Stream, limits_for
from console.site.models import Prop
from console.upkeep.history import readings_of
from console.upkeep.outlook import Outlook
from console.upkeep.surroundings import Series, Surroundings

FIRST_NIGHTS = 8
FIRST_ROWS = 50
"""Of each of the first nights; cold cycles among them."""
NEWEST_ROWS = 800
NIGHTS_ROWS = 1200
RECENT_NIGHTS = 3
BEFORE_NIGHTS = 14
_PROMPT_NS = 60 * 10**9
_DONE = "done"

StreamKey = tuple[str, str, str]
"""(motion, sequence, direction)"""


class Sign(StrEnum):
    """What is getting worse."""

    SLOWING = "slowing"  # a motion takes longer than it used to
    RESTING = "rest"  # more triggers come while the prop still rests
    LATE = "late"  # a motion more often misses its end sensor in time
    STICKING = "sticking"  # the first cycle of a night is far slower than the rest


@dataclass(frozen=True, slots=True)
class Flag:
    """Something that is getting worse. `motion` is empty where it concerns the whole prop.

    `slower` is a share; `since_wall_ns` and `cycles_ago` say where it began, None where unknown.
    """

    sign: Sign
    prop: str
    motion: str
    text: str
    cause: str
    slower: float | None = None
    since_wall_ns: int | None = None
    cycles_ago: int | None = None


@dataclass(slots=True)
class Watched:
    """One stream with its chart, and when each charted cycle started."""

    prop: str
    motion: str
    sequence: str
    direction: str
    stream: Stream
    started_ns: list[int] = field(default_factory=list)

    @property
    def slow_since_ns(self) -> int | None:
        """When the values left the baseline for good."""
        at = self.stream.slow_since
        return None if at is None else self.started_ns[at - 1]


class Watch:
    """Looks through the travel times of a site's ledger."""

    def __init__(self, outlook: Outlook, reader: UpkeepReader) -> None:
        self._outlook = outlook
        self._reader = reader
        self.limits: Limits = limits_for(self._values_a_night(), self._streams())
        self._weather = Series(readings_of(outlook.history.rows_of(WEATHER), "temp_degf"))

    def prop(self, name: str, motions: Sequence[str] | None = None) -> list[Watched]:
        """The streams of a prop, or of some of its motions."""
        site = self._outlook.site
        wanted = motions if motions is not None else [m.name for m in site.prop(name).motions]
        by_base: dict[int, list[str]] = {}
        for motion in wanted:
            by_base.setdefault(self._base(name, motion), []).append(motion)
        found: list[Watched] = []
        for base, several in by_base.items():
            found += self._watch(name, several, base)
        return sorted(found, key=lambda w: (w.motion, w.sequence, w.direction))

    def flags(self, name: str, streams: Sequence[Watched] | None = None) -> list[Flag]:
        """Everything that is getting worse about a prop; `streams` are its own, if known."""
        return [
            *self._slow(name, self.prop(name) if streams is None else streams),
            *self._sticking(name),
            *self._rising(name),
        ]

    # --- travel times --------------------------------------------------------------------------

    def _base(self, prop: str, motion: str) -> int:
        """The arrival number after which a motion's times count."""
        row = self._outlook.history.newest_work(prop, motion)
        if row is None:
            return 0
        prompt = row.about is None and row.recorded_ns - row.wall_ns <= _PROMPT_NS
        return row.seq if prompt else self._reader.seq_at(row.wall_ns)

    def _watch(self, prop: str, motions: Sequence[str], base: int) -> list[Watched]:
        newest = self._reader.newest_travels(prop, base, NEWEST_ROWS)
        first: list[TravelRow] = []
        if len(newest) == NEWEST_ROWS:
            first = self._reader.first_travels(prop, base, FIRST_NIGHTS, FIRST_ROWS)
            first = [row for row in first if row.seq < newest[0].seq]
        air = Surroundings(self._reader, (first, newest), self._weather)
        rows = first + newest
        counted = warm(row.started_ns / 1e9 for row in rows)
        kept = [r for r, counts in zip(rows, counted, strict=True) if counts and r.outcome == _DONE]
        found: dict[StreamKey, Watched] = {}
        for night, of_night in groupby(kept, key=attrgetter("night_id")):
            self._chart(prop, motions, night, list(of_night), air, found)
        return list(found.values())

    def _chart(
        self,
        prop: str,
        motions: Sequence[str],
        night: int,
        rows: Sequence[TravelRow],
        air: Surroundings,
        found: dict[StreamKey, Watched],
    ) -> None:
        """Take the cycles of one night, or a part of it, into their streams."""
        times: dict[StreamKey, tuple[list[int], list[float]]] = defaultdict(lambda: ([], []))
        for _, _, sequence, started_ns, _, travels in rows:
            for motion, direction, ms in travels:
                if ms > 0 and motion in motions:
                    at, took = times[motion, sequence, direction]
                    at.append(started_ns)
                    took.append(ms)
        for key, measured in times.items():
            at, took = _one_a_cycle(*measured)
            if key not in found:
                found[key] = Watched(prop, *key, Stream(self.limits))
            found[key].stream.add(night, took, *air.at(at))
            found[key].started_ns += at

    def _slow(self, prop: str, streams: Sequence[Watched]) -> list[Flag]:
        flags = []
        for motion in dict.fromkeys(w.motion for w in streams):
            slow = [w for w in streams if w.motion == motion and w.stream.flagged_at is not None]
            if not slow:
                continue
            worst = max(slow, key=lambda w: w.stream.slower)
            begun = [since for w in slow if (since := w.slow_since_ns) is not None]
            ways = sorted({w.direction for w in slow})
            since = worst.stream.slow_since
            flags.append(
                Flag(
                    Sign.SLOWING, prop, motion,
                    f"{_WAYS['+'.join(ways)]} takes {worst.stream.slower:.0%} longer than after "
                    "its last service",
                    cause(ways), worst.stream.slower, min(begun, default=None),
                    None if since is None else worst.stream.count - since + 1,
                )
            )  # fmt: skip
        return flags

    # --- counts --------------------------------------------------------------------------------

    def _sticking(self, prop: str) -> list[Flag]:
        rows = self._reader.newest_travels(prop, 0, NIGHTS_ROWS)
        nights: dict[int, list[TravelRow]] = {}
        for row in rows:
            if row.night_id:
                nights.setdefault(row.night_id, []).append(row)
        # The oldest night may have been cut in two.
        whole = list(nights.values())[len(rows) == NIGHTS_ROWS :][-RECENT_NIGHTS:]
        flags = []
        for motion in self._outlook.site.prop(prop).motions:
            times = []
            for cycles in whole:
                first = mean_travels(cycles[0]).get((motion.name, Direction.OUT))
                rest = [
                    ms
                    for row in cycles[COLD_CYCLES:]
                    if row.sequence == cycles[0].sequence and row.outcome == _DONE
                    if (ms := mean_travels(row).get((motion.name, Direction.OUT))) is not None
                ]
                if first is not None:
                    times.append((first, rest))
            if sticks_on(times):
                flags.append(
                    Flag(
                        Sign.STICKING, prop, motion.name,
                        "the first stroke of the night is at least half as long again as the rest",
                        "usual causes: a valve that sticks after standing, water in its pilot, "
                        "dry seals",
                    )
                )  # fmt: skip
        return flags

    def _rising(self, prop: str) -> list[Flag]:
        nights = [n.night_id for n in self._outlook.history.nights if n.closed_ns is not None]
        recent, before = nights[-RECENT_NIGHTS:], nights[:-RECENT_NIGHTS][-BEFORE_NIGHTS:]
        cycles = self._outlook.history.cycles.get(prop, {})

        def total(counts: dict[int, int], of: Sequence[int]) -> int:
            return sum(counts.get(night, 0) for night in of)

        flags = []
        for sign, counts, what, why in (
            (
                Sign.RESTING, self._missed().get(prop, {}),
                "triggers come more often while it still rests",
                "usual causes: groups closer together, a rest that is too long, "
                "a sensor that trips twice",
            ),
            (
                Sign.LATE, self._late().get(prop, {}),
                "its motions more often do not reach their end sensors in time",
                "usual causes: low pressure, a sensor out of place, a motion that binds",
            ),
        ):  # fmt: skip
            now, then = total(counts, recent), total(counts, before)
            of_now, of_then = total(cycles, recent), total(cycles, before)
            if rising(now, of_now, then, of_then):
                text = f"{what}: {now} in {of_now} cycles, before that {then} in {of_then}"
                flags.append(Flag(sign, prop, "", text, why))
        return flags

    def _missed(self) -> dict[str, dict[int, int]]:
        if self._missed_once is None:
            self._missed_once = self._reader.night_missed("resting")
        return self._missed_once

    def _late(self) -> dict[str, dict[int, int]]:
        if self._late_once is None:
            self._late_once = self._reader.night_events("late")
        return self._late_once

    _missed_once: dict[str, dict[int, int]] | None = None
    _late_once: dict[str, dict[int, int]] | None = None

    def _values_a_night(self) -> float:
        """How many travel times a night brings: each end sensor one a cycle, at most."""
        total = 0.0
        nights = self._outlook.history.nights[-BEFORE_NIGHTS:]
        for prop in self._outlook.site.props:
            cycles = self._outlook.history.cycles.get(prop.name, {})
            a_night = sum(cycles.get(n.night_id, 0) for n in nights) / max(len(nights), 1)
            total += _ends(prop) * a_night
        return total

    def _streams(self) -> int:
        """How many streams there can be: each end sensor has one in each sequence."""
        return sum(_ends(prop) * len(prop.sequences) for prop in self._outlook.site.props)


_WAYS = {"out": "going out", "back": "coming home", "back+out": "going out and coming home"}


def _ends(prop: Prop) -> int:
    """How many end sensors a prop's motions have."""
    return sum(
        (m.end_sensor.out is not None) + (m.end_sensor.home is not None) for m in prop.motions
    )


def _one_a_cycle(at: list[int], took: list[float]) -> tuple[list[int], list[float]]:
    """The mean of each cycle, for motions that go the same way more than once in it."""
    if len(set(at)) == len(at):
        return at, took
    cycles = groupby(zip(at, took, strict=True), key=itemgetter(0))
    means = {start: fmean(ms for _, ms in times) for start, times in cycles}
    return list(means), list(means.values())


def mean_travels(row: TravelRow) -> dict[tuple[str, str], float]:
    """The mean time of each motion and direction in one cycle."""
    times: dict[tuple[str, str], list[float]] = {}
    for motion, direction, ms in row.travels:
        if ms > 0:
            times.setdefault((motion, direction), []).append(ms)
    return {key: sum(several) / len(several) for key, several in times.items()}
