"""Simulated controllers as a process of their own, on a pseudo-terminal."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from drivers.simulated.controller import SimulatedController
from drivers.simulated.host import Host, Waker
from drivers.simulated.line import Line
from drivers.simulated.stores import FileStore, Writer


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the boards of one line until told to end; the exit code."""
    parser = _parser()
    given = parser.parse_args(arguments)
    boards: list[tuple[str, int, Path]] = [_board(parser, text) for text in given.board]
    if given.id is not None and given.nv is not None:
        boards.insert(0, (given.id, given.address, given.nv))
    if not boards:
        parser.error("give --id and --nv, or at least one --board")
    if len(boards) > 1 and not given.shared:
        parser.error("several boards need a --shared line")
    waker = Waker()
    writer = Writer(waker.wake)
    try:
        line = Line(
            given.port,
            [
                SimulatedController(
                    board_id, FileStore(nv, writer), address=address, shared=given.shared
                )
                for board_id, address, nv in boards
            ],
        )
        host = Host([line], writer, waker)
        if given.bench is not None:
            host.attach_bench(given.bench)
        host.serve(f"ready {given.port}")
    except OSError as error:
        print(f"{parser.prog}: {error}", file=sys.stderr)
        return 1
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m drivers.simulated",
        description="Simulated controllers on a pseudo-terminal.",
        epilog="example: python -m drivers.simulated --port /tmp/a.port --nv /tmp/a.nv --id a",
    )
    parser.add_argument("--port", type=Path, required=True, help="the link to make")
    parser.add_argument("--nv", type=Path, help="the file of its non-volatile memory")
    parser.add_argument("--id", help="the board's own name")
    parser.add_argument("--address", type=int, default=1, help="on a shared line (default 1)")
    parser.add_argument("--shared", action="store_true", help="speak only when polled")
    parser.add_argument("--bench", type=Path, help="the socket of the bench")
    parser.add_argument(
        "--board",
        action="append",
        default=[],
        metavar="NAME:ADDRESS:NV",
        help="one of several boards on a shared line",
    )
    return parser


def _board(parser: argparse.ArgumentParser, text: str) -> tuple[str, int, Path]:
    name, _, rest = text.partition(":")
    address, _, nv = rest.partition(":")
    if not (name and address.isdecimal() and 1 <= int(address) <= 255 and nv):
        parser.error(f"{text!r} is not NAME:ADDRESS:NV")
    return name, int(address), Path(nv)
