"""The bench: a socket through which a tester's hands reach the pins of the boards.

Text lines. In: `set [BOARD] INPUT LEVEL` (input 0 is the stop input, 1 closed), `supply [BOARD]
MV`, `pressure [BOARD] MV`, `reset [BOARD]`, `cut [BOARD]`, `power [BOARD]`, `get [BOARD]`; each is
answered `ok` or `error TEXT`. Out: `pins BOARD MONOTONIC_US OUTPUTS ALARM_LIGHT ON|CUT` for every
change and after `get`. BOARD may be left out where there is one board.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import socket
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from drivers.simulated.controller import SimulatedController

_LONGEST_LINE = 4096
Command = Callable[[Sequence[str]], None]
"""Takes the words after the verb; raises ValueError with a reason."""


class Bench:
    """Serves any number of testers."""

    def __init__(
        self,
        path: Path,
        boards: Mapping[str, SimulatedController],
        selector: selectors.BaseSelector,
        clock: Callable[[], int],
        more: Mapping[str, Command] | None = None,
    ) -> None:
        self._path = path
        self._boards = boards
        self._selector = selector
        self._clock = clock
        self._clients: dict[socket.socket, bytearray] = {}
        self._shown: dict[str, tuple[int, bool, bool]] = {}
        self._commands: dict[str, Command] = {
            "set": self._set,
            "supply": lambda words: self._number(words, SimulatedController.set_supply),
            "pressure": lambda words: self._number(words, SimulatedController.set_pressure),
            "reset": lambda words: self._board(words)[0].reset(),
            "cut": lambda words: self._board(words)[0].cut(),
            "power": lambda words: self._board(words)[0].power(),
            **(more or {}),
        }
        with contextlib.suppress(FileNotFoundError):
            path.unlink()
        self._server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._server.bind(os.fspath(path))
        self._server.listen()
        self._server.setblocking(False)
        selector.register(self._server, selectors.EVENT_READ, self._accept)

    def show(self) -> None:
        """Tells everybody what changed at the pins since the last call."""
        for board in self._boards.values():
            for _at_us, outputs, lamp in board.take_changes():
                shown = (outputs, lamp, board.powered)
                if self._shown.get(board.board_id, (0, False, True)) != shown:
                    self._shown[board.board_id] = shown
                    self._tell(self._line(board, outputs, lamp))

    def close(self) -> None:
        """Hangs up on everybody."""
        for client in list(self._clients):
            self._drop(client)
        self._selector.unregister(self._server)
        self._server.close()
        with contextlib.suppress(FileNotFoundError):
            self._path.unlink()

    def _line(self, board: SimulatedController, outputs: int, lamp: bool) -> str:
        power = "ON" if board.powered else "CUT"
        return f"pins {board.board_id} {self._clock()} {outputs:04X} {lamp:d} {power}"

    def _tell(self, line: str) -> None:
        for client in list(self._clients):
            self._send(client, line)

    def _send(self, client: socket.socket, line: str) -> None:
        try:
            client.send(line.encode("ascii", "replace") + b"\n")
        except OSError:
            self._drop(client)

    def _accept(self) -> None:
        client, _ = self._server.accept()
        client.setblocking(False)
        self._clients[client] = bytearray()
        self._selector.register(client, selectors.EVENT_READ, lambda: self._hear(client))

    def _drop(self, client: socket.socket) -> None:
        if self._clients.pop(client, None) is not None:
            self._selector.unregister(client)
            client.close()

    def _hear(self, client: socket.socket) -> None:
        try:
            data = client.recv(_LONGEST_LINE)
        except OSError:
            data = b""
        waiting = self._clients.get(client)
        if not data or waiting is None or len(waiting) > _LONGEST_LINE:
            self._drop(client)
            return
        waiting += data
        while b"\n" in waiting and client in self._clients:
            line, _, rest = bytes(waiting).partition(b"\n")
            waiting[:] = rest
            self._answer(client, line.decode("ascii", "replace").split())

    def _answer(self, client: socket.socket, words: list[str]) -> None:
        try:
            if not words:
                raise ValueError("an empty line")
            if words[0] == "get":
                board, _ = self._board(words[1:])
                self._send(client, self._line(board, board.outputs, board.lamp))
            elif words[0] in self._commands:
                self._commands[words[0]](words[1:])
            else:
                raise ValueError(f"nothing is called {words[0]!r}")
        except ValueError as error:
            self._send(client, f"error {error}")
        else:
            self._send(client, "ok")

    def _board(self, words: Sequence[str]) -> tuple[SimulatedController, Sequence[str]]:
        if words and words[0] in self._boards:
            return self._boards[words[0]], words[1:]
        if len(self._boards) == 1:
            return next(iter(self._boards.values())), words
        raise ValueError("name one of the boards: " + " ".join(self._boards))

    def _number(
        self, words: Sequence[str], act: Callable[[SimulatedController, int], None]
    ) -> None:
        board, rest = self._board(words)
        if len(rest) != 1:
            raise ValueError("one number is needed")
        act(board, int(rest[0]))

    def _set(self, words: Sequence[str]) -> None:
        board, rest = self._board(words)
        if len(rest) != 2 or rest[1] not in ("0", "1") or not 0 <= int(rest[0]) <= 16:
            raise ValueError("set [BOARD] INPUT LEVEL, inputs 0 to 16, levels 0 and 1")
        board.set_input(int(rest[0]), int(rest[1]))
