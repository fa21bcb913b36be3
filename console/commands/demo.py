"""`sexton demo`: an invented site on simulated boards, with a console or without a screen."""

from __future__ import annotations

import argparse
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

if TYPE_CHECKING:
    from console.demo import Demo

_DESCRIPTION = """\
Run the Morrowfen Ice Works, an invented walk-through, on simulated boards: guests come and trip
sensors, cylinders take their time, the tank empties and fills. A night is opened and everything is
armed at the start. No real line is opened, and the records stay apart from real ones.\
"""

_EPILOG = """\
While it runs, `sexton stop`, `sexton status` and `sexton attach` in another shell find it.

With --headless it runs without a screen and then says what was counted, by the ledger and by the
boards themselves; with --json as one object:
  cycles, triggers, missed, missed_by_reason, all_stops   of this night, from the ledger
  boards    for each prop its board's own counter, what the ledger has of it, and gaps
  agree     whether the ledger has every cycle that the boards have counted, once

exit codes: 0 done, 1 the counts do not agree, 2 it could not run, 130 interrupted

examples:
  sexton demo
  sexton demo --headless --for 60s --json
  sexton demo --rate 3 --seed 7\
"""

_DURATION = re.compile(r"(\d+(?:\.\d+)?)\s*(ms|s|min|m|h)?")
_SECONDS = {"ms": 0.001, "s": 1.0, "min": 60.0, "m": 60.0, "h": 3600.0, None: 1.0}


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define `sexton demo`."""
    parser = subparsers.add_parser(
        "demo",
        help="run an invented site, simulated, with a console",
        description=_DESCRIPTION,
        epilog=_EPILOG,
    )
    parser.add_argument("--headless", action="store_true", help="without a screen, then the counts")
    parser.add_argument(
        "--for",
        dest="seconds",
        type=seconds_of,
        metavar="TIME",
        help="end after so long, such as 60s or 5min (headless: 60s unless given)",
    )
    parser.add_argument("--json", action="store_true", help="with --headless: one JSON object")
    parser.add_argument("--ledger", type=Path, metavar="PATH", help="keep the records there")
    parser.add_argument("--seed", type=int, metavar="N", help="the same guests every time")
    parser.add_argument(
        "--rate",
        type=rate_of,
        default=1.5,
        metavar="X",
        help="X times as busy as a night (default 1.5)",
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Run the demo; the exit codes are those of the help."""
    from console.demo import Demo
    from console.errors import UserError
    from console.launch import need_terminal

    if not arguments.headless:
        if arguments.json:
            raise UserError("--json goes with --headless", "A console draws; it prints no counts.")
        need_terminal()
    end_on_signals()
    if not arguments.headless:
        print("Starting the boards and the engine ...", flush=True)
    with Demo(arguments.ledger, seed=arguments.seed, rate=arguments.rate) as demo:
        if arguments.headless:
            return _headless(demo, arguments.seconds or 60.0, as_json=arguments.json)
        return _with_console(demo, arguments.seconds)


def _with_console(demo: Demo, seconds: float | None) -> int:
    from console.launch import open_console

    demo.begin()
    code = open_console(demo.folder, demo.tend, within_s=seconds)
    demo.end_night()
    print(f"The demo has ended. `sexton log --ledger {demo.ledger}` lists what it recorded.")
    return code


def _headless(demo: Demo, seconds: float, *, as_json: bool) -> int:
    from console.demo_counts import board_counters, counts

    wait_headless(demo, seconds)
    demo.end_engine()
    found = counts(demo.site, demo.ledger, board_counters(demo.site, demo.ports))
    _show({"seconds": seconds, "seed": demo.seed, **found}, as_json=as_json)
    return 0 if found["agree"] else 1


def wait_headless(demo: Demo, seconds: float) -> None:
    """Run a night of so long without a screen."""
    import time

    with demo.watched():
        demo.begin()
        began = time.monotonic()
        while (left := began + seconds - time.monotonic()) > 0:
            demo.tend()
            time.sleep(min(left, 0.1))
        demo.end_night()


def end_on_signals() -> None:
    """Have SIGTERM and SIGHUP end everything in order."""
    import signal

    for number in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, _end)


def _show(found: dict[str, Any], *, as_json: bool) -> None:
    if as_json:
        import json

        print(json.dumps(found))
        return
    print(f"{found['site']}: {found['seconds']:g} s, night {found['night']} in {found['ledger']}")
    for prop, cycles in found["cycles"].items():
        print(f"  {prop:24} {cycles:5} cycles")
    triggers = ", ".join(f"{source} {count}" for source, count in found["triggers"].items())
    print(f"  triggers: {triggers or 'none'}; missed: {found['missed']}")
    print(f"  all-stops: {found['all_stops']}")
    verdict = "agree" if found["agree"] else "DO NOT AGREE"
    print(f"  the ledger and the boards' own counters {verdict}")


def _end(number: int, _frame: object) -> NoReturn:
    raise SystemExit(128 + number)


def seconds_of(text: str) -> float:
    """A length of time as people write it, in s. Raises argparse.ArgumentTypeError."""
    match = _DURATION.fullmatch(text.strip())
    if match is None or (seconds := float(match[1]) * _SECONDS[match[2]]) <= 0:
        raise argparse.ArgumentTypeError(f"{text!r} is no time; write it like 60s, 5min or 2h")
    return seconds


def rate_of(text: str) -> float:
    """How many times as busy; raises argparse.ArgumentTypeError."""
    try:
        rate = float(text)
    except ValueError:
        rate = 0.0
    if not 0.01 <= rate <= 100:
        raise argparse.ArgumentTypeError(f"{text!r} is no number from 0.01 to 100")
    return rate
