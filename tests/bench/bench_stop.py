"""How long an all-stop takes from the key's byte to the last serial line.

A key is typed on the outer terminal of a real key guard with a real console behind it, a real
engine holds 8, 32 or 64 lines (pseudo-terminals) and writes ten missed triggers a second for each
to its ledger. Measured is the time from just before the byte is written to the moment at which the
far end of the last line has the stop byte. Between presses the same lines get the byte from a bare
loop of writes, seen by the same far end, so that the machine's own share is known.

    python tests/bench/bench_stop.py            2,400 presses a number of lines; some minutes
    python tests/bench/bench_stop.py --short    what CI runs, with its gate

The gate, for every load: the median at most `GATE_RATIO` times the bare loop's, and 99 of 100
presses within `CEILING_MS`.
"""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import gc
import json
import os
import pty
import random
import select
import shutil
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import termios
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

HERE = Path(__file__).parent
CEILING_MS = 25.0
GATE_RATIO = 6.0
LOADS = ("idle", "busy", "dialogs", "blocked", "c-call", "stalled")
KEYS = (b"\x1b[20~", b"\x18", b"\x1b[120;5u")
TOO_LONG_S = 30.0


def site_text(ports: list[str]) -> str:
    """A site with one board and one prop on each port."""
    text = ["site: Bench", "zones:", "  hall: {title: Hall}", "lines:"]
    text += [f"  line-{n:03d}: {{path: {port}}}" for n, port in enumerate(ports)]
    text.append("controllers:")
    text += [
        f"  c-{n:03d}: {{board_id: BENCH-{n:03d}, line: line-{n:03d}, where: rack {n}}}"
        for n in range(len(ports))
    ]
    text.append("props:")
    for n in range(len(ports)):
        text += [
            f"  prop-{n:03d}:",
            f"    {{title: Prop {n}, zone: hall, controller: c-{n:03d}, set_pressure: 60 psi,",
            "    rest: 1 s, motions: {lift: {output: 1, de_energised: returns, travel: 100 ms,",
            "    return: 100 ms, max_on: 2 s}}, triggers: {sensor: {kind: mat, input: 1,",
            "    active: low, debounce: 40 ms}}, default_sequence: go, sequences: {go: {strength:",
            "    standard, length: 1 s, steps: [{at: 0 ms, lift: on}, {at: 500 ms, lift: off}]}}}",
        ]
    return "\n".join(text) + "\n"


class Lines:
    """The collector, and the near ends for the bare loop."""

    def __init__(self, count: int) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-P", str(HERE / "collector.py"), str(count)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        self.ports = self.hear().split()
        self.ends = [
            os.open(port, os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK) for port in self.ports
        ]

    @property
    def out(self) -> IO[bytes]:
        """What the collector says."""
        assert self.process.stdout is not None
        return self.process.stdout

    def hear(self) -> str:
        """Its next line."""
        line = self.out.readline().decode().strip()
        assert line, "the collector has ended"
        return line

    def tell(self, word: str) -> None:
        """Say one word to it."""
        assert self.process.stdin is not None
        self.process.stdin.write(word.encode() + b"\n")
        self.process.stdin.flush()

    def bare_ms(self) -> float:
        """One bare loop of writes to every line, in milliseconds to the last line."""
        self.tell("bare")
        assert self.hear() == "watching"
        began = time.monotonic()
        for end in self.ends:
            while True:
                try:
                    os.write(end, b"\x18")
                    break
                except BlockingIOError:  # the far end is behind, on a machine with much to do
                    select.select([], [end], [], 1)
        return (float(self.hear().split()[2]) - began) * 1000

    def close(self) -> None:
        """End it."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.process.wait(10)
        for end in self.ends:
            os.close(end)


class Engine:
    """A real engine process on these lines, and a small client to clear its stops."""

    def __init__(self, folder: Path, lines: Lines) -> None:
        site = folder / "bench.yaml"
        site.write_text(site_text(lines.ports))
        command = [*(sys.executable, "-P", "-m", "console.cli", "engine", str(site))]
        self.log = (folder / "engine.log").open("wb")
        self.process = subprocess.Popen(
            [*command, "--ledger", str(folder / "bench.db")], stdout=self.log, stderr=self.log
        )
        from console.places import engine_folder, slug_of

        self.folder = engine_folder(slug_of(site))
        lines_live = select.select([lines.out], [], [], 60)[0] and lines.hear()
        assert lines_live == "live", (folder / "engine.log").read_text()[-2000:]
        self.client = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.client.connect(str(self.folder.socket))
        self.answers = self.client.makefile("rb")
        self.say({"hello": {"kind": "shell", "name": "bench", "pid": os.getpid()}})
        self.asked = 0

    def say(self, message: dict[str, Any]) -> None:
        """Write one line to it."""
        self.client.sendall(json.dumps(message).encode() + b"\n")

    def ask(self, do: str, **arguments: Any) -> dict[str, Any]:
        """One request and its answer."""
        self.asked += 1
        self.say({"id": self.asked, "do": do, "args": arguments})
        while True:
            answer: dict[str, Any] = json.loads(self.answers.readline())
            if answer.get("id") == self.asked:
                return answer

    def snapshot(self) -> dict[str, Any]:
        """Everything it shows."""
        self.ask("snapshot")
        while "snapshot" not in (body := json.loads(self.answers.readline())):
            pass
        shown: dict[str, Any] = body["snapshot"]
        return shown

    def clear(self) -> None:
        """Clear the all-stop once every board has confirmed it, so that the next is a new one."""
        ends, last = time.monotonic() + TOO_LONG_S, {}
        while time.monotonic() < ends:
            stop = self.snapshot()["stop"]
            if not stop["latched"]:
                return
            last = self.ask("clear", stop=stop["id"], by="bench", why="the next press")
            time.sleep(0.01)
        raise AssertionError(f"the all-stop could not be cleared: {last}")

    def close(self) -> None:
        """End it in order."""
        self.client.close()
        self.process.terminate()
        self.process.wait(10)
        self.log.close()


class Desk:
    """An outer terminal with the key guard on it and a console under some load behind it."""

    def __init__(self, folder: Path, engine: Engine, load: str) -> None:
        self.load = load
        self.outer, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
        self.guard = subprocess.Popen(
            [
                *(sys.executable, "-P", "-m", "console.keyguard"),
                *("--stop-socket", str(engine.folder.stop_socket), "--"),
                *(sys.executable, "-P", str(HERE / "loaded_console.py"), load),
                *("--socket", str(engine.folder.socket)),
                # The console sees the key too. Its own stop must not be taken for the guard's.
                *("--stop-socket", str(folder / "nowhere.sock")),
            ],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
        )
        os.close(slave)
        self.next_dialog, self.dialog_open = 0.0, False
        self.shown = 0
        ends = time.monotonic() + 30
        while self.shown < 5000 and time.monotonic() < ends and self.guard.poll() is None:
            self.look(0.1)
        assert self.shown >= 5000, "the console shows nothing"
        self.idle_for(2.0)

    def look(self, for_s: float) -> None:
        """Let the terminal show what has come, or stall it, and open and close dialogs."""
        if self.load == "stalled" and self.shown >= 5000:
            time.sleep(for_s)
        elif select.select([self.outer], [], [], for_s)[0]:
            self.shown += len(os.read(self.outer, 65536))
        now = time.monotonic()
        if self.load == "dialogs" and now >= self.next_dialog:
            self.next_dialog = now + 0.05
            self.dialog_open = not self.dialog_open
            os.write(self.outer, b"\x1bOQ" if self.dialog_open else b"\x1b[27u")

    def idle_for(self, seconds: float) -> None:
        """Let time pass."""
        ends = time.monotonic() + seconds
        while (left := ends - time.monotonic()) > 0:
            self.look(min(left, 0.01))

    def press_ms(self, lines: Lines, key: bytes) -> float:
        """Type `key`; milliseconds until the last line has the stop byte."""
        lines.tell("watch")
        assert lines.hear() == "watching"
        began = time.monotonic()
        os.write(self.outer, key)
        while not select.select([lines.out], [], [], 0)[0]:
            assert time.monotonic() - began < TOO_LONG_S, "the stop never came"
            ready = [lines.out] if self.load == "stalled" else [lines.out, self.outer]
            if self.outer in select.select(ready, [], [], 0.1)[0]:
                self.shown += len(os.read(self.outer, 65536))
        _, first, last = lines.hear().split()
        assert float(first) >= began, "the byte on the line was not that of this press"
        return (float(last) - began) * 1000

    def close(self) -> None:
        """End guard and console."""
        self.guard.send_signal(signal.SIGTERM)
        ends = time.monotonic() + 10
        while self.guard.poll() is None and time.monotonic() < ends:
            with contextlib.suppress(OSError):
                if select.select([self.outer], [], [], 0.05)[0]:
                    os.read(self.outer, 65536)
        self.guard.kill()
        self.guard.wait()
        os.close(self.outer)


@dataclass
class Row:
    """What one load gave on one number of lines, in milliseconds."""

    lines: int
    load: str
    presses: list[float] = field(default_factory=list)
    bare: list[float] = field(default_factory=list)

    @property
    def passes(self) -> bool:
        """Whether it meets the gate."""
        return self.ratio <= GATE_RATIO and part(self.presses, 0.99) <= CEILING_MS

    @property
    def ratio(self) -> float:
        """The median of the presses to that of the bare loop."""
        return part(self.presses, 0.5) / part(self.bare, 0.5)

    def text(self) -> str:
        """The row of the table."""
        cells = [f"{self.lines:5}  {self.load:8}{len(self.presses):8}"]
        for times in (self.presses, self.bare):
            cells.append("".join(f"{t:9.2f}" for t in (part(times, 0.5), part(times, 0.99))))
            cells.append(f"{max(times):9.2f}")
        return "".join(cells) + f"{self.ratio:8.1f}"


def part(times: list[float], share: float) -> float:
    """The smallest time that at least `share` of all do not exceed."""
    return sorted(times)[max(0, -int(-share * len(times) // 1) - 1)]


def measure_load(
    folder: Path, lines: Lines, engine: Engine, load: str, presses: int, rng: random.Random
) -> Row:
    """One console under one load."""
    row = Row(len(lines.ports), load)
    desk = Desk(folder, engine, load)
    try:
        for n in range(presses):
            desk.idle_for(rng.uniform(0.005, 0.03))
            row.presses.append(desk.press_ms(lines, KEYS[n % len(KEYS)]))
            engine.clear()
            desk.idle_for(rng.uniform(0.005, 0.03))
            row.bare.append(lines.bare_ms())
    finally:
        desk.close()
    return row


def measure(count: int, loads: list[str], presses: int, *, gate: bool) -> list[Row]:
    """All loads on `count` lines; with `gate` a load that fails has a second try."""
    folder = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
    os.environ["SEXTON_RUNTIME"] = str(folder / "run")
    os.environ["SEXTON_DATA"] = str(folder / "data")
    rng = random.Random(count)
    rows = []
    with contextlib.ExitStack() as stack:
        stack.callback(shutil.rmtree, folder, ignore_errors=True)
        lines = Lines(count)
        stack.callback(lines.close)
        engine = Engine(folder, lines)
        stack.callback(engine.close)
        for load in loads:
            row = measure_load(folder, lines, engine, load, presses, rng)
            print(row.text(), flush=True)
            if gate and not row.passes:
                print("       once more: something else may have kept this machine busy")
                row = measure_load(folder, lines, engine, load, presses, rng)
                print(row.text(), flush=True)
            rows.append(row)
    return rows


def main() -> int:
    """Measure, print the table, and hold it against the gate."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--short", action="store_true", help="few presses, and the gate")
    parser.add_argument("--presses", type=int, help="presses for each load")
    parser.add_argument("--lines", type=int, nargs="+", default=None)
    parser.add_argument("--loads", nargs="+", choices=LOADS, default=list(LOADS))
    arguments = parser.parse_args()
    presses = arguments.presses or (25 if arguments.short else 400)
    counts = arguments.lines or ([64] if arguments.short else [8, 32, 64])
    print("from key byte to last line, in ms     through guard and engine            bare loop")
    print("lines  load     presses   median      p99    worst   median      p99    worst   ratio")
    gc.disable()
    rows = [
        row
        for count in counts
        for row in measure(count, arguments.loads, presses, gate=arguments.short)
    ]
    every = [t for row in rows for t in row.presses]
    print(f"{len(every)} presses in all, p99 {part(every, 0.99):.2f} ms, worst {max(every):.2f} ms")
    failed = [row.load for row in rows if not row.passes]
    if arguments.short and failed:
        print(f"over {GATE_RATIO} times the bare loop or {CEILING_MS} ms: {', '.join(failed)}")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
