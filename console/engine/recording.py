"""What goes into the ledger, and what a board may forget once it is there."""

from __future__ import annotations

from collections import Counter, OrderedDict, deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from console.engine.effects import Append
from console.engine.world import ControllerNow, PropNow, World
from console.ledger.entries import (
    Appended,
    BoardSeen,
    BootMap,
    Committed,
    CycleEntry,
    Entry,
    EventEntry,
    Failed,
    GapEntry,
    MissedTrigger,
    StrokeMeters,
    Travel,
)
from console.rules.alarms import Kind
from console.views.models import CycleView
from drivers.boardclock import ms_between
from drivers.messages import Ack, CycleRecord, EventRecord, Hex32, PropReport, Seen
from drivers.words import EventKind

_KNOWN = 4096
_UNDATED_BOUND_MS = 86_400_000.0
"""The bound of a time about which nothing is known but that it is past."""
BOOT_MAP_MS = 60_000.0

Done = Callable[[Appended], None]
GivenUp = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class _Batch:
    done: Done | None
    given_up: GivenUp | None
    stuck: GivenUp | None


class Recorder:
    """Hands entries to the ledger's writer and follows what becomes of them."""

    def __init__(self, world: World) -> None:
        self.trouble = ""
        self.recent: deque[tuple[int, str, str]] = deque(maxlen=200)
        """(wall ns, kind, subject) of what was recorded last."""
        self._world = world
        self._next_batch = 1
        self._batches: dict[int, _Batch] = {}
        self._written: OrderedDict[tuple[object, ...], bool] = OrderedDict()
        """Records of boards by what they are: False while being written, True once durable."""
        self._highest = {key: c.highest for key, c in world.memory.counters.items()}
        self._cycles: Counter[tuple[str, int]] = Counter()
        """Cycles over all lives, by board and prop number."""
        for (board, _, index), highest in self._highest.items():
            self._cycles[board, index] += highest
        self._noted: set[tuple[str, int, int, int]] = set()
        self._maps = dict(world.memory.boot_maps)
        self._map_ms: dict[str, float] = {}

    @property
    def waiting(self) -> int:
        """Batches that are not durable yet."""
        return len(self._batches)

    def append(
        self,
        *entries: Entry,
        done: Done | None = None,
        given_up: GivenUp | None = None,
        stuck: GivenUp | None = None,
    ) -> None:
        """Write `entries` together; afterwards `done` or `given_up` is called, once.

        `stuck` is called, before either and at most once, when the disk fails and the writer keeps
        the entries for later: whoever waits for an answer should have one.
        """
        batch, self._next_batch = self._next_batch, self._next_batch + 1
        self._batches[batch] = _Batch(done, given_up, stuck)
        self.recent.extend(_brief(entries))
        self._world.emit(Append(batch, entries))

    def event(self, kind: str, subject: str, by: str = "", **detail: object) -> None:
        """Record that something happened now."""
        self.append(EventEntry(kind, subject, detail, self._world.now.wall_ns, by))

    def written(self, result: Committed | Failed) -> None:
        """The writer's word on some batches."""
        world = self._world
        if isinstance(result, Failed):
            self._set_trouble("the disk is full" if result.disk_full else result.reason)
            for batch in result.batch_ids if result.kept else ():
                self._stuck(batch, result.reason)
            if not result.kept:
                for batch in result.batch_ids:
                    gone = self._batches.pop(batch, None)
                    if gone is not None and gone.given_up is not None:
                        gone.given_up(result.reason)
            return
        self._set_trouble("")
        for batch, appended in zip(result.batch_ids, result.appended, strict=True):
            known = self._batches.pop(batch, None)
            if appended.night != world.night:
                world.night = appended.night
                world.touch("site")
            if known is not None and known.done is not None:
                known.done(appended)

    def _stuck(self, batch: int, reason: str) -> None:
        known = self._batches.get(batch)
        if known is not None and known.stuck is not None:
            self._batches[batch] = _Batch(known.done, known.given_up, None)
            known.stuck(reason)

    def _set_trouble(self, trouble: str) -> None:
        if trouble == self.trouble:
            return
        self.trouble = trouble
        self._world.touch("site")
        if trouble:
            self._world.raise_alarm(
                Kind.LEDGER, "ledger", f"the ledger cannot be written: {trouble}"
            )
        else:
            self._world.alarms.end(Kind.LEDGER, "ledger")

    # --- what boards report -------------------------------------------------------------------

    def cycles_of(self, prop: PropNow) -> int:
        """How many cycles a prop is known to have done in its life."""
        return self._cycles[self._world.controller_of(prop).controller.board_id, prop.prop.index]

    def seen(self, at: ControllerNow, prop: PropNow, report: PropReport) -> None:
        """Note the newest number that a board published, and what it can no longer tell."""
        board = at.controller.board_id
        key = (board, report.life, report.prop)
        highest = self._highest.get(key)
        if highest is not None and report.number <= highest and (*key, 0) in self._noted:
            return
        entries: list[Entry] = [
            BoardSeen(board, report.life, report.prop, report.number, self._world.now.wall_ns)
        ]
        first_time = (*key, 0) not in self._noted
        if highest is not None and first_time and report.number > highest:
            last = report.oldest - 1 if report.oldest else report.number
            if last > highest:
                entries.append(
                    GapEntry(
                        board, report.life, report.prop, highest + 1, last,
                        "replaced on the board before they could be fetched",
                        self._world.now.wall_ns,
                    )
                )  # fmt: skip
                self._world.raise_alarm(
                    Kind.GAP, prop.name, f"{last - highest} cycles of {prop.prop.title} were lost"
                )
        self._noted.add((*key, 0))
        newest = max(highest or 0, report.number)
        self._cycles[board, report.prop] += newest - (highest or 0)
        self._highest[key] = newest
        self.append(*entries)
        self._world.touch(f"prop/{prop.name}")

    def known_row(self, at: ControllerNow, life: int, index: int) -> bool:
        """Whether the newest number of this row was noted since this engine started."""
        return (at.controller.board_id, life, index, 0) in self._noted

    def cycle(self, at: ControllerNow, record: CycleRecord) -> None:
        """Write a cycle down; its board may forget it once it is durable."""
        board = at.controller.board_id
        key = ("cycle", board, record.life, record.prop, record.number)
        state = self._written.get(key)
        if state is not None:
            if state:
                self._acknowledge(at, record)
            return
        prop = self._world.prop_at(at.name, record.prop)
        when = self._when(at, record.boot, record.ms)
        if prop is None or when is None or not self.known_row(at, record.life, record.prop):
            return
        self._remember(key)
        wall_ns, bound_ms = when
        sequence = prop.sequence_name(record.sequence) or f"#{record.sequence}"
        entry = CycleEntry(
            board=board, life=record.life, prop_index=record.prop, number=record.number,
            prop=prop.name, sequence=sequence, trigger=record.trigger.value,
            started_wall_ns=wall_ns, bound_ms=bound_ms, boot=record.boot, board_ms=record.ms,
            duration_ms=record.duration_ms, travels=_travels(prop, record.travels),
            outcome=record.outcome.value,
        )  # fmt: skip

        def done(appended: Appended) -> None:
            self._written[key] = True
            self._acknowledge(at, record)
            if appended.stored:
                self._count(prop, entry)

        self.append(entry, done=done, given_up=lambda _: self._forget(key))

    def happening(self, at: ControllerNow, record: EventRecord) -> None:
        """Write a board's event down; its board may forget it once it is durable."""
        board = at.controller.board_id
        key = ("event", board, record.boot, record.number)
        state = self._written.get(key)
        if state is not None:
            if state:
                self._say_seen(at, record)
            return
        when = self._when(at, record.boot, record.ms)
        if when is None:
            return
        self._remember(key)
        prop = self._world.prop_at(at.name, record.prop) if record.prop else None
        entry: Entry
        if record.kind is EventKind.MISSED and prop is not None:
            entry = MissedTrigger(
                board, prop.name, _source_of(prop, record.value), record.detail, when[0],
                record.boot, record.number,
            )  # fmt: skip
        else:
            entry = EventEntry(
                record.kind.value, prop.name if prop else at.name,
                {"detail": record.detail, "value": record.value, "bound_ms": when[1]}, when[0],
                board=board, boot=record.boot, event_number=record.number,
            )  # fmt: skip

        def done(appended: Appended) -> None:
            self._written[key] = True
            self._say_seen(at, record)
            if appended.stored and prop is not None and isinstance(entry, MissedTrigger):
                prop.missed_tonight += 1 if self._world.night else 0
                self._world.touch(f"prop/{prop.name}")

        self.append(entry, done=done, given_up=lambda _: self._forget(key))

    def map_clock(self, at: ControllerNow, *, now: bool = False) -> None:
        """Keep how this boot's clock stands to ours, so that it can be dated by a later engine."""
        best = at.session.clock.best
        world = self._world
        last = self._map_ms.get(at.name)
        due = last is None or world.now.mono_ms - last >= BOOT_MAP_MS
        if best is None or not (now or due):
            return
        self._map_ms[at.name] = world.now.mono_ms
        board, boot = at.controller.board_id, at.session.boot
        entry = BootMap(board, boot, best.board_ms, world.now.wall_of(best.mono_ms), best.half_ms)
        self._maps[(board, boot)] = entry
        self.append(entry)

    def strokes(self, at: ControllerNow, first: int, counts: tuple[int, ...]) -> None:
        """Note the lifetime strokes that a board gave for its outputs from `first` on."""
        entries: list[Entry] = []
        for output, count in enumerate(counts, start=first):
            prop = next(
                (
                    p
                    for p in self._world.props_of(at.name)
                    if any(c.output == output for c in p.prop.channels)
                ),
                None,
            )
            if prop is None or prop.report is None or prop.strokes.get(output) == count:
                continue
            prop.strokes[output] = count
            entries.append(
                StrokeMeters(
                    at.controller.board_id, prop.report.life, output, count,
                    self._world.now.wall_ns, prop.name, prop.prop.output_name(output),
                )
            )  # fmt: skip
            self._world.touch(f"prop/{prop.name}")
        if entries:
            self.append(*entries)

    # --- inside -------------------------------------------------------------------------------

    def _when(self, at: ControllerNow, boot: int, board_ms: int) -> tuple[int, float] | None:
        """(wall ns, bound ms) of a board's reading; None while its clock is not known yet."""
        world = self._world
        if boot == at.session.boot:
            mapped = at.session.clock.to_mono(board_ms)
            return None if mapped is None else (world.now.wall_of(mapped[0]), mapped[1])
        known = self._maps.get((at.controller.board_id, boot))
        if known is None:
            return world.now.wall_ns, _UNDATED_BOUND_MS
        away = ms_between(known.board_ms, board_ms)
        return known.wall_ns + away * 1_000_000, known.bound_ms + abs(away) * 1e-4

    def _count(self, prop: PropNow, entry: CycleEntry) -> None:
        if self._world.night is not None:
            prop.cycles_tonight += 1
        if entry.started_wall_ns >= prop.last_trigger_wall_ns:
            prop.last_trigger, prop.last_trigger_wall_ns = entry.trigger, entry.started_wall_ns
        prop.last_cycles.appendleft(
            CycleView(
                entry.number, entry.sequence, entry.trigger, entry.outcome, entry.started_wall_ns,
                entry.duration_ms, tuple((t.motion, t.direction, t.ms) for t in entry.travels),
            )
        )  # fmt: skip
        self._world.touch(f"prop/{prop.name}")

    def _acknowledge(self, at: ControllerNow, record: CycleRecord) -> None:
        fields = (Hex32(record.life), record.prop, record.number)
        if at.heard_of and not at.session.asks(Ack, *fields):
            at.session.ask(None, Ack, *fields)

    def _say_seen(self, at: ControllerNow, record: EventRecord) -> None:
        if (
            at.heard_of
            and record.boot == at.session.boot
            and not at.session.asks(Seen, record.number)
        ):
            at.session.ask(None, Seen, record.number)

    def _remember(self, key: tuple[object, ...]) -> None:
        self._written[key] = False
        while len(self._written) > _KNOWN:
            self._written.popitem(last=False)

    def _forget(self, key: tuple[object, ...]) -> None:
        self._written.pop(key, None)


def _travels(prop: PropNow, words: tuple[str, ...]) -> tuple[Travel, ...]:
    """`3>340` is out after 340 ms, `3<410` home after 410 ms; what makes no sense is left out."""
    found = []
    for word in words:
        for sign, direction in ((">", "out"), ("<", "back")):
            output, mark, ms = word.partition(sign)
            if mark and output.isdecimal() and ms.isdecimal():
                try:
                    name = prop.prop.output_name(int(output))
                except KeyError:
                    continue
                found.append(Travel(name, direction, int(ms)))
    return tuple(found)


def _source_of(prop: PropNow, number: int) -> str:
    for trigger in prop.prop.triggers:
        if trigger.input == number and trigger.input is not None:
            return trigger.source.value
    return "unknown"


def _brief(entries: tuple[Entry, ...]) -> Iterator[tuple[int, str, str]]:
    for entry in entries:
        match entry:
            case CycleEntry():
                yield entry.started_wall_ns, f"cycle by {entry.trigger}", entry.prop
            case MissedTrigger():
                yield entry.wall_ns, f"missed: {entry.reason}", entry.prop
            case EventEntry():
                yield entry.wall_ns, entry.kind, entry.subject
