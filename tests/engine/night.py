"""A whole night in virtual time: the real core, the real ledger, real boards, and no waiting.

Boards are the firmware built as a library, or simulated controllers; the wire delays, loses and
garbles as told. Nothing here reads a clock.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from pathlib import Path
from random import Random
from typing import Protocol

from console.engine import effects as fx
from console.engine import events as ev
from console.engine.clock import Now
from console.engine.core import Core
from console.engine.latchrecord import latch_of
from console.engine.openingbook import opening_of
from console.engine.overriding import overrides_of
from console.engine.tagging import tags_of
from console.engine.world import Memory
from console.ledger.entries import Committed, Entry
from console.ledger.ledger import Ledger
from console.ledger.reader import Reader
from console.rules.latch import Latch
from console.rules.opening import Kept
from console.rules.tags import Tags
from console.site.models import Controller, Site
from console.views.models import LinkState, PropState, PropView, SiteView, StopView
from drivers.framing import STOP_BYTE
from drivers.simulated.controller import SimulatedController
from drivers.simulated.stores import PlainStore
from drivers.words import ResetCause

WALL_START_NS = 1_792_500_000_000_000_000
COMMIT_MS = 10.0
OPEN_MS = 5.0
WIRE_MS = 1.0


class AnyBoard(Protocol):
    """What a board on virtual time can do."""

    name: str

    @property
    def due_us(self) -> int: ...
    @property
    def outputs(self) -> int: ...
    def step(self, now_us: int, rx: bytes) -> bytes: ...
    def set_input(self, number: int, level: int) -> None: ...
    def reset(self, now_us: int) -> None: ...
    def cut(self) -> None: ...
    def power(self, now_us: int) -> None: ...


class FirmwareBoard:
    """The firmware's core, built as a library."""

    def __init__(self, controller: Controller, seed: int) -> None:
        from drivers.firmware.library import VirtualBoard

        self.name = controller.board_id
        self.board = VirtualBoard(
            self.name, controller.address, shared=controller.shared, seed=seed
        )
        self.board.start(0)

    @property
    def due_us(self) -> int:
        return self.board.next_due_us

    @property
    def outputs(self) -> int:
        return self.board.outputs

    def step(self, now_us: int, rx: bytes) -> bytes:
        return self.board.step(now_us, rx)

    def set_input(self, number: int, level: int) -> None:
        self.board.set_input(number, level)

    def reset(self, now_us: int) -> None:
        self.board.reset(now_us)

    def cut(self) -> None:
        self.board.cut()

    def power(self, now_us: int) -> None:
        self.board.start(now_us)


class SimulatedBoard:
    """A simulated controller."""

    def __init__(self, controller: Controller, seed: int) -> None:
        self.name = controller.board_id
        self.board = SimulatedController(
            self.name, PlainStore(), address=controller.address, shared=controller.shared,
            rng=Random(seed),
        )  # fmt: skip

    @property
    def due_us(self) -> int:
        return self.board.next_due_us

    @property
    def outputs(self) -> int:
        return self.board.outputs

    def step(self, now_us: int, rx: bytes) -> bytes:
        return self.board.step(now_us, rx)

    def set_input(self, number: int, level: int) -> None:
        self.board.set_input(number, level)

    def reset(self, now_us: int) -> None:
        self.board.reset(ResetCause.BUTTON)

    def cut(self) -> None:
        self.board.cut()

    def power(self, now_us: int) -> None:
        self.board.power()


class Wire:
    """One line between the engine and its boards."""

    def __init__(self, boards: Sequence[AnyBoard]) -> None:
        self.boards = boards
        self.plugged = True
        self.open = False
        self.lose: Callable[[bytes], bytes] = lambda data: data
        """What arrives of what was sent, either way."""


class Night:
    """An engine, its boards and its ledger, moved on by `run`."""

    def __init__(
        self,
        site: Site,
        folder: Path,
        make_board: Callable[[Controller, int], AnyBoard],
        *,
        seed: int = 1,
        durable: bool = True,
        commit_ms: float = COMMIT_MS,
        auto: bool = False,
    ) -> None:
        self.site = site
        self.path = folder / "night.ledger"
        self.random = Random(seed)
        self.now_ms = 1000.0
        self.wall_offset_ns = WALL_START_NS
        self.commit_ms = commit_ms
        self.auto = auto
        self.boards = {c.name: make_board(c, seed + n) for n, c in enumerate(site.controllers)}
        self.wires = {
            line.name: Wire([self.boards[c.name] for c in site.controllers_of_line(line.name)])
            for line in site.lines
        }
        self._due: list[tuple[float, int, Callable[[], None]]] = []
        self._order = 0
        self._generation = 0
        self._durable = durable
        self._pending: list[tuple[int, tuple[Entry, ...]]] = []
        self._latch: dict[str, object] = {}
        self._show: dict[str, object] = {}
        self.answers: dict[int, dict[str, object]] = {}
        self.stop_answers: list[dict[str, object]] = []
        self.stops_sent = 0
        self.effects: list[fx.Effect] = []
        self.ended = False
        self.disk_full = False
        self._request = 0
        self.start_engine()

    # --- the engine's life --------------------------------------------------------------------

    @property
    def now(self) -> Now:
        return Now(self.now_ms, self.wall_offset_ns + round(self.now_ms * 1e6))

    def _tags(self) -> tuple[Tags, frozenset[str]]:
        with Reader.open(self.path) as reader:
            return tags_of(reader)

    def _overrides(self) -> dict[str, dict[str, str]]:
        night = self.ledger.open_night()
        with Reader.open(self.path) as reader:
            return overrides_of(reader, night.night_id if night else None)

    def _opening(self) -> Kept:
        with Reader.open(self.path) as reader:
            return opening_of(reader, self.ledger.open_night())

    def start_engine(self) -> None:
        """A new engine, with what the last one left on the disk."""
        self.ledger = Ledger.open(self.path)
        if not self._durable:
            self.ledger._db.execute("PRAGMA synchronous = OFF")
        names = tuple(c.name for c in self.site.controllers)
        latch = latch_of(self._latch, names) if self._latch else Latch()
        memory = Memory(
            latch, self.ledger.open_night(), self.ledger.known_counters(),
            self.ledger.latest_boot_maps(), {}, dict(self._show), self._tags(),
            self._overrides(), opening=self._opening(),
        )  # fmt: skip
        self.core = Core(
            self.site, memory, self.now, random=Random(self.random.random()), auto=self.auto
        )
        self._generation += 1
        self.ended = False
        self.feed(ev.Tick())

    def kill_engine(self) -> None:
        """As SIGKILL does: what was not committed is gone, the ports close."""
        self._generation += 1
        self._pending.clear()
        self.ledger.close()
        for wire in self.wires.values():
            wire.open = False

    def close(self) -> None:
        """Let the ledger go."""
        self.ledger.close()

    # --- time ---------------------------------------------------------------------------------

    def after(self, ms: float, do: Callable[[], None]) -> None:
        """Have something happen later."""
        self._order += 1
        heapq.heappush(self._due, (self.now_ms + ms, self._order, do))

    def run(self, ms: float) -> None:
        """Let time pass."""
        end = self.now_ms + ms
        while True:
            at = min(end, self.core.next_deadline() if not self.ended else end)
            if self._due:
                at = min(at, self._due[0][0])
            for board in self.boards.values():
                at = min(at, board.due_us / 1000)
            self.now_ms = max(self.now_ms, at)
            now_us = round(self.now_ms * 1000)
            while self._due and self._due[0][0] <= self.now_ms:
                heapq.heappop(self._due)[2]()
            for wire in self.wires.values():
                for board in wire.boards:
                    if board.due_us <= now_us:
                        self._said(wire, board, board.step(now_us, b""))
            if not self.ended and self.core.next_deadline() <= self.now_ms:
                self.feed(ev.Tick())
            if self.now_ms >= end:
                return

    def until(self, holds: Callable[[], object], ms: float = 5000.0, step_ms: float = 10.0) -> None:
        """Let time pass until something holds; fail if it doesn't."""
        end = self.now_ms + ms
        while not holds():
            assert self.now_ms < end, f"not within {ms} ms"
            self.run(step_ms)

    # --- events and effects -------------------------------------------------------------------

    def feed(self, event: ev.Event) -> None:
        """Give the core an event and do what it wants."""
        for effect in self.core.handle(event, self.now):
            self._do(effect)

    def _do(self, effect: fx.Effect) -> None:
        match effect:
            case fx.StopLines():
                self.stops_sent += 1
                for wire in self.wires.values():
                    self._to_boards(wire, bytes([STOP_BYTE]))
            case fx.Send(line, data):
                self._to_boards(self.wires[line], data)
            case fx.OpenPort(line, device, _):
                self._later(OPEN_MS, lambda: self._open(line, device))
            case fx.ClosePort(line):
                self.wires[line].open = False
                self.feed(ev.PortClosed(line, "closed"))
            case fx.ListPorts():
                self._later(OPEN_MS, lambda: self.feed(ev.PortsListed(())))
            case fx.SaveLatch(record):
                self._latch = dict(record)
                self._later(1, lambda: self.feed(ev.LatchSaved()))
            case fx.Remember(record):
                self._show = dict(record)
            case fx.Append(batch, entries):
                if not self._pending:
                    self._later(self.commit_ms, self._commit)
                self._pending.append((batch, entries))
            case fx.Answer(_, body, on_stop_socket):
                if on_stop_socket:
                    self.stop_answers.append(dict(body))
                else:
                    self.answers[int(body["id"])] = dict(body)  # type: ignore[call-overload]
            case fx.End():
                self.ended = True

    def _later(self, ms: float, do: Callable[[], None]) -> None:
        """Later, if this engine still lives then."""
        generation = self._generation
        self.after(ms, lambda: do() if generation == self._generation else None)

    def _open(self, line: str, device: str) -> None:
        if self.wires[line].plugged:
            self.wires[line].open = True
            self.feed(ev.PortOpened(line, device))
        else:
            self.feed(ev.PortFailed(line, device, "No such file or directory"))

    def _commit(self) -> None:
        pending, self._pending = self._pending, []
        if self.disk_full:
            from console.ledger.entries import Failed

            ids = tuple(b for b, _ in pending)
            self._pending = pending
            self._later(1000, self._commit)
            self.feed(ev.Written(Failed(ids, "database or disk is full", True, kept=True)))
            return
        appended = self.ledger.append_batches([entries for _, entries in pending])
        self.feed(ev.Written(Committed(tuple(b for b, _ in pending), tuple(appended))))

    # --- wires --------------------------------------------------------------------------------

    def _to_boards(self, wire: Wire, data: bytes) -> None:
        if wire.open and (arrived := wire.lose(data)):
            self.after(WIRE_MS, lambda: self._arrive(wire, arrived))

    def _arrive(self, wire: Wire, data: bytes) -> None:
        if not wire.plugged:
            return
        now_us = round(self.now_ms * 1000)
        for board in wire.boards:
            self._said(wire, board, board.step(now_us, data))

    def _said(self, wire: Wire, board: AnyBoard, data: bytes) -> None:
        if not data or not wire.plugged or not wire.open:
            return
        arrived = wire.lose(data)
        name = next(n for n, w in self.wires.items() if w is wire)
        if arrived:
            self._later(WIRE_MS, lambda: self._came(name, arrived))

    def _came(self, line: str, data: bytes) -> None:
        if self.wires[line].open and not self.ended:
            self.feed(ev.BytesCame(line, data))

    def unplug(self, line: str) -> None:
        """Pull a line's adapter."""
        wire = self.wires[line]
        wire.plugged = False
        if wire.open:
            wire.open = False
            self.feed(ev.PortClosed(line, "Input/output error"))

    def plug(self, line: str) -> None:
        """Put it back."""
        self.wires[line].plugged = True

    # --- people -------------------------------------------------------------------------------

    def ask(self, action: str, **args: object) -> dict[str, object]:
        """Ask for an action; the answer once it is there."""
        self._request += 1
        number = self._request
        self.feed(ev.Asked(1, number, action, args))
        self.until(lambda: number in self.answers, 3000, 1)
        return self.answers[number]

    def stop(self, source: str = "key F9") -> None:
        """All-stop by hand, its bytes sent first as the reactor does."""
        for wire in self.wires.values():
            self._to_boards(wire, bytes([STOP_BYTE]))
        self.feed(ev.StopAsked(source, "somebody", 0.1, -1))

    def reset(self, controller: str) -> None:
        """Pull a board's reset pin."""
        self.boards[controller].reset(round(self.now_ms * 1000))

    def trigger(self, controller: str, number: int = 1, ms: float = 40.0) -> None:
        """A guest on the mat of a board."""
        board = self.boards[controller]
        board.set_input(number, 0)
        self.after(ms, lambda: board.set_input(number, 1))

    # --- what is shown ------------------------------------------------------------------------

    def prop(self, name: str) -> PropView:
        view = self.core.view(f"prop/{name}")
        assert isinstance(view, PropView)
        return view

    def state(self, name: str) -> PropState:
        return self.prop(name).state

    @property
    def stop_view(self) -> StopView:
        view = self.core.view("stop")
        assert isinstance(view, StopView)
        return view

    @property
    def site_view(self) -> SiteView:
        view = self.core.view("site")
        assert isinstance(view, SiteView)
        return view

    def alarms(self) -> dict[str, str]:
        """Standing alarms: id and text."""
        return {a.id: a.text for a in self.core.world.alarms.standing()}

    def live(self) -> bool:
        """Whether every board holds its setup and every prop is known."""
        links = {at.link for at in self.core.world.controllers.values()}
        return links == {LinkState.LIVE} and all(
            self.state(p.name) is not PropState.OFFLINE for p in self.site.props
        )

    def arm_all(self) -> None:
        """Arm everything and see that it is."""
        assert self.ask("arm", props=["all"])["ok"]
        self.until(lambda: all(self.state(p.name) is PropState.ARMED for p in self.site.props))
