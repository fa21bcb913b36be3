"""The one table of alarms, and the list of those that stand.

Repeats fold into one alarm with a count. An alarm whose cause is over goes away by itself, unless
its row says that somebody must have seen it. Above ten in ten minutes they are called a flood and
counted by cause, below five that is over (limits of ISA-18.2).
"""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import dataclass, replace
from enum import StrEnum

from console.views.models import AlarmView, Priority

FLOOD_WINDOW_MS = 600_000
FLOOD_BEGINS_ABOVE = 10
FLOOD_ENDS_BELOW = 5


class Kind(StrEnum):
    """What an alarm is about."""

    STOP_NOT_CONFIRMED = "stop not confirmed"
    STRAY_STOP = "stray stop"
    STOP_INPUT = "stop input open"
    LOST = "controller lost"
    LINE_LOST = "line lost"
    SUPPLY_LOST = "supply lost"
    WRONG_BOARD = "wrong board"
    FOREIGN = "other protocol"
    DIFFERS = "setup differs"
    UPLOAD_FAILED = "upload failed"
    PORT_HELD = "port held"
    RESET = "controller reset"
    SILENT = "engine not heard"
    FAULT = "prop fault"
    TAG_LIFTED = "tag lifted"
    LATE = "motion late"
    SUPPLY_LOW = "supply low"
    MEMORY = "record damaged"
    GAP = "cycles lost"
    POOR_LINK = "poor link"
    REFUSED = "request refused"
    UNSURE = "outcome unknown"
    LEDGER = "ledger trouble"
    LATCH_FILE = "latch not saved"
    NO_CONSOLE = "no console"
    CLOCK_JUMP = "clock jump"
    LOW_AIR = "low air"
    AIR_SHORT = "air running out"
    LEAK = "leak"
    TIRED = "tired compressor"
    COMPRESSOR = "compressor not running"
    NOT_CATCHING_UP = "compressor not catching up"
    TOO_STRONG = "too strong"
    FLOOD = "alarm flood"


@dataclass(frozen=True, slots=True)
class Row:
    """What holds for every alarm of a kind."""

    priority: Priority
    remedy: str
    clears: str
    """When it goes away, for the help."""
    seen_first: bool
    """Whether it stays until somebody acknowledged it, also when its cause is over."""


_U, _S, _N = Priority.URGENT, Priority.SOON, Priority.NOTICE

TABLE: dict[Kind, Row] = {
    Kind.STOP_NOT_CONFIRMED: Row(
        _U, "Close its air by hand, now. Then leave it out by name or bring it back.",
        "when it confirms, is left out, or the all-stop is cleared", False,
    ),
    Kind.STRAY_STOP: Row(
        _U, "Nobody here asked for it: look at the line and at the prop, then clear it.",
        "when its stop is cleared", False,
    ),
    Kind.STOP_INPUT: Row(
        _U, "Go there: somebody pressed the hardwired stop, or its wire is broken.",
        "when it is closed again", False,
    ),
    Kind.LOST: Row(
        _S, "Check its power and cable. It disarms by itself and comes back disarmed.",
        "when it is back", False,
    ),
    Kind.LINE_LOST: Row(
        _U, "Check the adapter and the cable of this line: everything on it is gone.",
        "when the first controller on it is back", False,
    ),
    Kind.SUPPLY_LOST: Row(
        _U, "Check this supply and its fuse: everything that hangs on it is gone.",
        "when the first controller on it is back", False,
    ),
    Kind.WRONG_BOARD: Row(
        _S, "Another board is on this port: check the plugs, or the board id in the site file.",
        "when the right board answers", False,
    ),
    Kind.FOREIGN: Row(
        _S, "Its firmware speaks another version: load the firmware that came with this program.",
        "when it answers with this version", False,
    ),
    Kind.DIFFERS: Row(
        _S, "Send the site file's sequences to it, or go back to the file it was set up from.",
        "when it holds what the site file says", False,
    ),
    Kind.UPLOAD_FAILED: Row(
        _S, "See what it refused; check that the board in the site file is the one fitted.",
        "when the upload succeeds", False,
    ),
    Kind.PORT_HELD: Row(
        _S, "End the program that holds the port, or give this line another one.",
        "when the port opens", False,
    ),
    Kind.RESET: Row(
        _S, "It is disarmed. Look at its supply and plugs before arming it again.",
        "when acknowledged", True,
    ),
    Kind.SILENT: Row(
        _S, "It heard nothing from here and disarmed itself. Look at the line, then arm again.",
        "when acknowledged", True,
    ),
    Kind.FAULT: Row(
        _S, "Look at the prop, then acknowledge the fault there.",
        "when the fault is acknowledged at the prop", False,
    ),
    Kind.TAG_LIFTED: Row(
        _S, "Tell the person named on the tag before they go back to the prop.",
        "when acknowledged", True,
    ),
    Kind.LATE: Row(
        _S, "Look at the motion: air, friction, its end sensor.", "when acknowledged", True,
    ),
    Kind.SUPPLY_LOW: Row(
        _S, "Check the supply, its fuse and what else hangs on it.",
        "when the voltage is back", False,
    ),
    Kind.MEMORY: Row(
        _N, "One stored cycle was unreadable. Replace the board if it happens again.",
        "when acknowledged", True,
    ),
    Kind.GAP: Row(
        _N, "The counts stay right; these cycles have no details. Nothing to be done.",
        "when acknowledged", True,
    ),
    Kind.POOR_LINK: Row(
        _N, "Check cable, plugs and adapter before it gets worse.",
        "when polls are answered again", False,
    ),
    Kind.REFUSED: Row(
        _N, "Put right what its controller says, then ask again.", "when acknowledged", True,
    ),
    Kind.UNSURE: Row(
        _S, "Nobody knows whether it ran: look at the prop before asking again.",
        "when acknowledged", True,
    ),
    Kind.LEDGER: Row(
        _U, "Make room on the disk. The night goes on; the controllers keep their last cycles.",
        "when the ledger can be written again", False,
    ),
    Kind.LATCH_FILE: Row(
        _S, "The all-stop holds, but not over a restart of this engine. Check the disk.",
        "when it is saved", False,
    ),
    Kind.NO_CONSOLE: Row(
        _S, "Open a console: nobody is looking at this night.", "when a console is open", False,
    ),
    Kind.CLOCK_JUMP: Row(
        _N, "The computer's clock was set. Times of this night may look odd; their order is right.",
        "when acknowledged", True,
    ),
    Kind.LOW_AIR: Row(
        _S, "Lengthen the headway, and look at compressor and main valve. They arm again by hand.",
        "when the pressure is 5 psi above what they need", False,
    ),
    Kind.AIR_SHORT: Row(
        _S, "Lengthen the headway, or choose milder sequences for what takes the most.",
        "when the air lasts again", False,
    ),
    Kind.TOO_STRONG: Row(
        _S, "Arm it again when this group is past it; give it a quiet sequence in the site file.",
        "when a group comes for whom it has something", False,
    ),
    Kind.LEAK: Row(
        _S, "Listen along the pipes between two groups. After closing, run a leak test.",
        "when the tank loses no more than the site file says", False,
    ),
    Kind.TIRED: Row(
        _N, "Look at its intake filter, belt and valves after closing.",
        "when it fills the tank as it should", False,
    ),
    Kind.COMPRESSOR: Row(
        _U, "Look at its switch, fuse and plug: it does not fill the tank.",
        "when the pressure is back", False,
    ),
    Kind.NOT_CATCHING_UP: Row(
        _S, "Let it rest: lengthen the headway. Look for a leak, an open drain, a clogged filter.",
        "when it has filled the tank", False,
    ),
    Kind.FLOOD: Row(
        _S, "Look for the one cause behind them: a supply, a line, the air.",
        "when fewer than five came in ten minutes", False,
    ),
}  # fmt: skip
"""One row for every kind; a test fails if one is missing."""


class Alarms:
    """The alarms that stand, by id `kind/subject`. Times are monotonic ms and wall ns."""

    def __init__(self) -> None:
        self._standing: dict[str, AlarmView] = {}
        self._over: set[str] = set()
        self._raised: deque[tuple[float, Kind]] = deque()
        self._flood = False
        self._changed: set[str] = set()
        self._new: list[str] = []

    def raise_(self, kind: Kind, subject: str, text: str, now_ms: float, wall_ns: int) -> bool:
        """Something is wrong. True if that is new; a repeat while it stands folds into it."""
        key = f"{kind.value.replace(' ', '-')}/{subject}"
        row = TABLE[kind]
        known = self._standing.get(key)
        self._changed.add(key)
        if known is not None:
            again = key in self._over or row.seen_first
            if not again and known.text == text:
                self._changed.discard(key)
                return False
            self._over.discard(key)
            self._standing[key] = replace(
                known,
                text=text,
                count=known.count + again,
                acknowledged=known.acknowledged and not again,
            )
            if again:
                self._new.append(key)
                self._count(kind, now_ms, wall_ns)
            return again
        self._standing[key] = AlarmView(
            key, kind.value, row.priority, subject, text, row.remedy, wall_ns
        )
        self._new.append(key)
        self._count(kind, now_ms, wall_ns)
        return True

    def end(self, kind: Kind, subject: str) -> bool:
        """The cause is over. True if such an alarm stood."""
        key = f"{kind.value.replace(' ', '-')}/{subject}"
        known = self._standing.get(key)
        if known is None or key in self._over:
            return False
        self._changed.add(key)
        if TABLE[kind].seen_first and not known.acknowledged:
            self._over.add(key)
        else:
            del self._standing[key]
        return True

    def acknowledge(self, key: str) -> bool:
        """Somebody has seen it; `all` for every one. False for one that does not stand."""
        keys = list(self._standing) if key == "all" else [key]
        found = False
        for each in keys:
            known = self._standing.get(each)
            if known is None:
                continue
            found = True
            self._changed.add(each)
            if TABLE[Kind(known.kind)].seen_first:
                # Its cause is a moment that has passed: seen is over.
                del self._standing[each]
                self._over.discard(each)
            else:
                self._standing[each] = replace(known, acknowledged=True)
        return found or key == "all"

    def tick(self, now_ms: float, wall_ns: int) -> None:
        """Let the flood end, and its banner follow."""
        while self._raised and now_ms - self._raised[0][0] > FLOOD_WINDOW_MS:
            self._raised.popleft()
        self._judge_flood(wall_ns)

    def take_changed(self) -> set[str]:
        """Ids that changed since the last call."""
        changed, self._changed = self._changed, set()
        return changed

    def take_raised(self) -> list[AlarmView]:
        """Alarms that came, or came again, since the last call: for the record of their rate."""
        raised, self._new = self._new, []
        return [alarm for key in raised if (alarm := self._standing.get(key)) is not None]

    def get(self, key: str) -> AlarmView | None:
        """The standing alarm of this id."""
        return self._standing.get(key)

    def standing(self) -> tuple[AlarmView, ...]:
        """Every standing alarm, in the order in which they came."""
        return tuple(self._standing.values())

    def _count(self, kind: Kind, now_ms: float, wall_ns: int) -> None:
        if kind is not Kind.FLOOD:
            self._raised.append((now_ms, kind))
            self.tick(now_ms, wall_ns)

    def _judge_flood(self, wall_ns: int) -> None:
        key = f"{Kind.FLOOD.value.replace(' ', '-')}/site"
        count = len(self._raised)
        if self._flood and count < FLOOD_ENDS_BELOW:
            self._flood = False
            self._standing.pop(key, None)
            self._changed.add(key)
        elif self._flood or count > FLOOD_BEGINS_ABOVE:
            causes = Counter(kind.value for _, kind in self._raised)
            listed = ", ".join(f"{n} {cause}" for cause, n in causes.most_common(4))
            text = f"{count} alarms in 10 minutes: {listed}"
            known = self._standing.get(key)
            if known is not None and known.text == text:
                return
            self._flood = True
            row = TABLE[Kind.FLOOD]
            self._standing[key] = (
                replace(known, text=text)
                if known
                else AlarmView(
                    key, Kind.FLOOD.value, row.priority, "site", text, row.remedy, wall_ns
                )
            )
            self._changed.add(key)
