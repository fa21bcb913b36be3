"""The real console, made to behave badly: `loaded_console.py LOAD --socket PATH ...`.

`busy` lays out and draws everything anew 20 times a second, `blocked` sleeps 300 ms in a handler of
the event loop, `c-call` sits 250 ms in a C function that never lets go of the interpreter.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path

from console.screens.app import Console
from console.screens.run import run


def redraw(console: Console) -> None:
    """Lay out and draw the whole screen."""
    console.screen.refresh(repaint=True, layout=True)


def block(_: Console) -> None:
    """A handler that waits for something."""
    time.sleep(0.3)


def hold_the_interpreter(_: Console) -> None:
    """One call that takes about 250 ms: no byte of Python runs meanwhile, in no thread."""
    began = time.monotonic()
    numbers = range(HELD)
    sum(numbers)
    if time.monotonic() - began > 5:
        raise SystemExit("this machine is too slow to be measured")


def calibrate() -> int:
    """How many numbers this machine adds up in 250 ms."""
    began = time.monotonic()
    sum(range(2_000_000))
    return int(2_000_000 * 0.25 / (time.monotonic() - began))


LOADS: dict[str, tuple[float, Callable[[Console], None]]] = {
    "busy": (0.05, redraw),
    "blocked": (0.35, block),
    "c-call": (0.3, hold_the_interpreter),
}
HELD = calibrate()


def main() -> None:
    """Run the console with the load in its event loop."""
    parser = argparse.ArgumentParser()
    parser.add_argument("load")
    parser.add_argument("--socket", type=Path)
    parser.add_argument("--stop-socket", type=Path)
    arguments = parser.parse_args()
    if (load := LOADS.get(arguments.load)) is not None:
        every_s, handler = load
        mount = Console.on_mount

        def on_mount(self: Console) -> None:
            mount(self)
            self.set_interval(every_s, lambda: handler(self))

        Console.on_mount = on_mount  # type: ignore[method-assign]
    sys.exit(run(arguments.socket, arguments.stop_socket))


if __name__ == "__main__":
    main()
