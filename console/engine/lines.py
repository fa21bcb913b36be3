"""A line and its port: finding, opening, losing and finding again. Reconnecting lives here alone.

The first failure is told, repeats are quiet. Which board is on a port only the board can say, so a
port on which another board answered is remembered for the line that looks for that one.
"""

from __future__ import annotations

from console.engine.compile import spec_of
from console.engine.effects import ClosePort, ListPorts, OpenPort, Send
from console.engine.world import World
from console.rules.alarms import Kind
from console.site.models import Line as SiteLine
from drivers.line import Line
from drivers.port import PortInfo, candidates
from drivers.reports import Phase

RETRY_MS = 400.0
LIST_MS = 1000.0
SILENT_MS = 5000.0
"""An open port on which nobody answers for this long is left for another candidate."""
POOR_QUALITY = 0.7


class Ports:
    """Every line's port, and which board was last seen where."""

    def __init__(self, world: World, lines: dict[str, Line]) -> None:
        self.keepers = {
            line.name: Keeper(world, line, lines[line.name], self) for line in world.site.lines
        }
        self.known: tuple[PortInfo, ...] = ()
        self.sightings: dict[str, str] = {}
        """Board ids that answered on a line that is not theirs, with the device."""
        self._world = world
        self._listed_ms: float | None = None

    def tick(self) -> None:
        """Let every line look for its port."""
        now_ms = self._world.now.mono_ms
        looking = any(k.looking and k.by_usb for k in self.keepers.values())
        if looking and (self._listed_ms is None or now_ms - self._listed_ms >= LIST_MS):
            self._listed_ms = now_ms
            self._world.emit(ListPorts())
        for keeper in self.keepers.values():
            keeper.tick()

    def claimed(self, device: str, other_than: Keeper) -> bool:
        """Whether another line has this device or is opening it."""
        return any(k.device == device for k in self.keepers.values() if k is not other_than)

    def stranger(self, keeper: Keeper, board: str) -> None:
        """Another board than this line's answered on its port."""
        if keeper.device:
            self.sightings[board] = keeper.device
        for each in self.keepers.values():
            if board in each.boards:
                each.look_again()


class Keeper:
    """One line's port."""

    def __init__(self, world: World, site_line: SiteLine, line: Line, ports: Ports) -> None:
        self.site_line = site_line
        self.line = line
        self.device = ""
        """The device that is open or being opened; empty for none."""
        self.is_open = False
        self._world = world
        self._ports = ports
        self._spec = spec_of(site_line)
        self._retry_ms = world.now.mono_ms
        self._opened_ms = 0.0
        self._tries = 0
        self._told = ""
        self._leaving = False

    @property
    def by_usb(self) -> bool:
        """Whether the list of adapters is needed to find it."""
        return self._spec.by_usb

    @property
    def looking(self) -> bool:
        """Whether a live board is still to be found."""
        return not any(s.phase.is_open for s in self.line.sessions)

    @property
    def boards(self) -> tuple[str, ...]:
        """The ids of the boards that belong on this line."""
        return tuple(s.board for s in self.line.sessions)

    @property
    def opened_ms(self) -> float:
        """When the port was opened last."""
        return self._opened_ms

    def tick(self) -> None:
        """Open the port when it is time to, or leave one on which nobody is."""
        now_ms = self._world.now.mono_ms
        if not self.device:
            if now_ms >= self._retry_ms and not self._world.ending:
                self._try(now_ms)
            return
        if not self.is_open or self._leaving or not self.looking:
            return
        elsewhere = [
            device
            for board in self.boards
            if (device := self._ports.sightings.get(board)) and device != self.device
        ]
        strangers = any(
            device == self.device and board not in self.boards
            for board, device in self._ports.sightings.items()
        )
        silent = now_ms - max(self._opened_ms, self._last_heard()) > SILENT_MS
        others = [d for d in self._candidates() if d != self.device]
        if (elsewhere and (strangers or silent)) or (self.by_usb and silent and others):
            self.close()

    def close(self) -> None:
        """Let the port go, to look elsewhere."""
        self._leaving = True
        self._world.emit(ClosePort(self.site_line.name))

    def look_again(self) -> None:
        """There is news of a board of this line: begin with that, and at once."""
        self._tries = 0
        if not self.device:
            self._retry_ms = self._world.now.mono_ms

    def opened(self, device: str) -> None:
        """The port is open."""
        now_ms = self._world.now.mono_ms
        self.device, self.is_open, self._opened_ms = device, True, now_ms
        self._told, self._leaving = "", False
        self._world.alarms.end(Kind.PORT_HELD, self.site_line.name)
        self.line.opened(now_ms)
        self._show("waiting for its board to answer")

    def failed(self, message: str, *, held: bool) -> None:
        """The port could not be opened; it is tried again, quietly."""
        device, self.device, self.is_open = self.device, "", False
        self._retry_ms = self._world.now.mono_ms + RETRY_MS
        text = f"{device}: {message}"
        if held:
            self._world.raise_alarm(Kind.PORT_HELD, self.site_line.name, text)
        if text != self._told:
            self._told = text
            self._show(text)

    def closed(self, message: str) -> None:
        """The open port is gone."""
        self.device, self.is_open, self._leaving = "", False, False
        self._retry_ms = self._world.now.mono_ms + (100.0 if self._told == "" else RETRY_MS)
        self.line.closed(message)
        self._show(message)

    def pump(self) -> None:
        """Send what the sessions have to say now."""
        if not self.is_open:
            return
        now_ms = self._world.now.mono_ms
        while data := self.line.take_bytes(now_ms):
            self._world.emit(Send(self.site_line.name, data))

    def _try(self, now_ms: float) -> None:
        found = self._candidates()
        free = [d for d in found if not self._ports.claimed(d, self)]
        if not free:
            self._retry_ms = now_ms + RETRY_MS
            text = f"{self.site_line.port} is not there"
            if text != self._told:
                self._told = text
                self._show(text)
            return
        # Round and round: the likeliest first, but never the same one only.
        self.device = free[self._tries % len(free)]
        self._tries += 1
        self._world.emit(OpenPort(self.site_line.name, self.device, self._spec.baud))

    def _candidates(self) -> list[str]:
        seen = [d for board in self.boards if (d := self._ports.sightings.get(board))]
        named = candidates(self._spec, self._ports.known)
        return list(dict.fromkeys([*seen, *named]))

    def _last_heard(self) -> float:
        return max((s.last_heard_ms or 0.0 for s in self.line.sessions), default=0.0)

    def _show(self, message: str) -> None:
        for session in self.line.sessions:
            for at in self._world.controllers.values():
                if at.session is session and session.phase is Phase.GREETING:
                    at.message = message
                    self._world.touch_controller(at.name)
