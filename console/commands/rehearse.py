"""`sexton rehearse`: practise a night on your own site file, with trouble thrown in."""

from __future__ import annotations

import argparse
import json
from pathlib import Path


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define `sexton rehearse`."""
    from console.commands.demo import rate_of, seconds_of

    parser = subparsers.add_parser(
        "rehearse",
        help="practise a night on your own site file, with trouble thrown in",
        description="Run any site file on simulated boards, with trouble thrown in: a board goes "
        "silent, a motion slows, the pressure drops, a sensor trips by itself, a guest presses the "
        "stop. Afterwards it says what happened, how long each stood open and what would have been "
        "the right answer. Every screen says REHEARSAL, and no real line can be opened.",
        epilog=(
            "exit codes: 0 done, 2 it could not run\n\n"
            "examples:\n"
            "  sexton rehearse my-site.yaml\n"
            "  sexton rehearse my-site.yaml --trouble stop --trouble silent --for 5min"
        ),
    )
    parser.add_argument("site", type=Path, metavar="SITE.yaml")
    parser.add_argument(
        "--trouble", action="append", default=[], metavar="NAME",
        help="only this kind: silent, slow, pressure, trigger, stop; may stand several times",
    )  # fmt: skip
    parser.add_argument(
        "--for", dest="seconds", type=seconds_of, metavar="TIME", help="end after so long"
    )
    parser.add_argument("--headless", action="store_true", help="without a screen (60s)")
    parser.add_argument("--json", action="store_true", help="the debrief as one JSON object")
    parser.add_argument("--ledger", type=Path, metavar="PATH", help="keep the records there")
    parser.add_argument("--seed", type=int, metavar="N", help="the same troubles every time")
    parser.add_argument("--rate", type=rate_of, default=1.0, metavar="X", help="X times as busy")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Run it, then say what happened."""
    from console.commands.demo import end_on_signals, wait_headless
    from console.errors import UserError
    from console.launch import need_terminal, open_console
    from console.rehearsal import BY_ID, Rehearsal

    for name in arguments.trouble:
        if name not in BY_ID:
            raise UserError(f"there is no trouble {name!r}", f"Known are {', '.join(BY_ID)}.")
    if not arguments.headless:
        need_terminal()
    end_on_signals()
    rehearsal = Rehearsal(
        arguments.site, arguments.ledger, seed=arguments.seed, rate=arguments.rate,
        troubles=tuple(arguments.trouble),
    )  # fmt: skip
    with rehearsal:
        if arguments.headless:
            wait_headless(rehearsal, arguments.seconds or 60.0)
        else:
            rehearsal.begin()
            open_console(rehearsal.folder, rehearsal.tend, within_s=arguments.seconds)
    debrief = rehearsal.debrief
    if arguments.json:
        print(json.dumps({"rehearsal": True, "troubles": debrief.as_json()}))
    else:
        print("\n".join(debrief.lines()))
    return 0
