"""How long upkeep's looks take on a large ledger, beside the bare SQL that each of them needs.

Run it as `python tests/bench/bench_upkeep.py [--cycles 5000000] [--nights 150] [--props 32]`. It
writes a ledger of that size through the ledger's own code (minutes for 5 million cycles; `--keep
PATH` writes it there and uses it again next time), then times each look and the statements that
it ran, fetched whole by SQLite and nothing else. Ratios compare between machines, times do not.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import random
import sqlite3
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from console.ledger.entries import (
    CycleEntry,
    Entry,
    EventEntry,
    MissedTrigger,
    NightClosed,
    NightOpened,
    RunTime,
    ServiceEntry,
    StrokeMeters,
    Travel,
)
from console.ledger.ledger import Ledger
from console.ledger.rows import Filter
from console.ledger.upkeep import UpkeepReader
from console.reports.gather import SiteFile, gather
from console.site.loading import load
from console.site.models import Site
from console.upkeep.outlook import Outlook
from console.upkeep.watching import Watch

OPENS = dt.time(18, 30)
NIGHT_H = 4.0


def site_text(props: int, first_nights: list[dt.date]) -> str:
    """A site of so many props, each alone on its controller."""
    lines, controllers, shown = [], [], []
    for n in range(1, props + 1):
        lines.append(f"  line-{n}: {{path: /dev/serial/by-id/bench-{n}}}")
        controllers.append(
            f"  board-{n}: {{board_id: B{n:02}, line: line-{n}, where: at prop {n},"
            f" isolate: ball valve at prop {n}}}"
        )
        shown.append(f"""\
  prop-{n:02}:
    title: Prop {n}
    zone: hall
    controller: board-{n}
    rest: 10 s
    motions:
      lift:
        output: 1
        de_energised: returns
        travel: 500 ms
        return: 700 ms
        end_sensor: {{out: {{input: 2}}, home: {{input: 3}}}}
        parts:
          cylinder: {{kind: cylinder, model: seal kit {n % 4}, b10: 400000}}
          valve: {{kind: valve, model: valve {n % 3}, b10: 1500000}}
          hinge: {{kind: hinge, model: hinge}}
          pivot: {{kind: bearing, model: pivot}}
      turn:
        output: 2
        de_energised: returns
        travel: 300 ms
        return: 300 ms
        parts:
          cylinder: {{kind: cylinder, model: seal kit 5, b10: 400000}}
          valve: {{kind: valve, model: valve 1, b10: 1500000}}
    triggers:
      sensor: {{kind: beam, input: 1}}
    sequences:
      full:
        strength: standard
        length: 4 s
        steps:
          - {{at: 0 ms, lift: on}}
          - {{at: 300 ms, turn: on}}
          - {{at: 1500 ms, lift: off, turn: off}}
    default_sequence: full
""")
    nights = "\n".join(f"  - {{date: {day}, opens: 18:30, closes: 22:30}}" for day in first_nights)
    return "\n".join(
        [
            "site: Morrowfen Ice Works", "timezone: UTC", "zones:",
            "  hall: {title: Hall}", "lines:", *lines, "controllers:", *controllers,
            "props:", *shown, "service:",
            "  oil: {title: Oil the rod, part: cylinder, strokes: 40000, nights: 30}",
            "  listen: {title: Listen for leaks, part: valve, strokes: 200000}",
            "  grease: {title: Grease the hinge, part: hinge, strokes: 20000, nights: 20}",
            "  feel: {title: Feel for play, part: bearing, strokes: 80000, hours: 200 h}",
            "  drain: {title: Drain the tank, nights: 1}", "nights:", nights, "",
        ]
    )  # fmt: skip


def calendar(nights: int) -> list[dt.date]:
    """So many nights in seasons of 30, and ten more that are still to come."""
    days = [dt.date(2022 + n // 30, 10, 1) + dt.timedelta(days=n % 30) for n in range(nights)]
    after = dt.date(2022 + (nights - 1) // 30, 11, 20)
    return days + [after + dt.timedelta(days=7 * n) for n in range(10)]


def ns_of(day: dt.date) -> int:
    """When the night of a date opens."""
    return int(dt.datetime.combine(day, OPENS, dt.UTC).timestamp()) * 10**9


def fill(path: Path, site: Site, days: list[dt.date], cycles: int) -> float:
    """Write the ledger; returns cycles a second."""
    rng = random.Random(6)
    each = max(1, cycles // (len(days) * len(site.props)))
    done = {prop.name: 0 for prop in site.props}
    began = time.perf_counter()
    with Ledger.open(path) as ledger:
        for number, day in enumerate(days):
            opened_ns = ns_of(day)
            step_ns = int(NIGHT_H * 3.6e12 / each)
            ledger.append([NightOpened(opened_ns, "Ines", day.isoformat())])
            for at in range(0, each, 25):
                rounds = range(at, min(at + 25, each))
                ledger.append(
                    [e for n in rounds for e in _round(site, done, opened_ns + n * step_ns, rng)]
                )
            ledger.append(_end_of_night(site, done, opened_ns))
            closed_ns = opened_ns + int(NIGHT_H * 3.6e12)
            ledger.append([NightClosed(closed_ns, "Ines")])
            if number % 20 == 19:
                ledger.append([e for p in site.props for e in _work(p.name, closed_ns, number)])
    return sum(done.values()) / (time.perf_counter() - began)


def _round(site: Site, done: dict[str, int], at_ns: int, rng: random.Random) -> list[Entry]:
    entries: list[Entry] = []
    for index, prop in enumerate(site.props):
        done[prop.name] += 1
        number = done[prop.name]
        travels = (
            Travel("lift", "out", round(rng.gauss(500, 20))),
            Travel("lift", "back", round(rng.gauss(700, 28))),
        )
        entries.append(
            CycleEntry(
                f"B{index + 1:02}", 1, 1, number, prop.name, "full", "sensor",
                at_ns + index * 10**8, 4.0, 1, number, 4000, travels, "done",
            )
        )  # fmt: skip
        if number % 40 == 0:
            entries.append(MissedTrigger("", prop.name, "sensor", "resting", at_ns))
    return entries


def _end_of_night(site: Site, done: dict[str, int], opened_ns: int) -> list[Entry]:
    entries: list[Entry] = [EventEntry("all-stop", "site", {"source": "key"}, opened_ns)]
    for index, prop in enumerate(site.props):
        entries += [
            StrokeMeters(
                f"B{index + 1:02}", 1, output, 2 * done[prop.name], opened_ns, prop.name, motion
            )
            for output, motion in ((1, "lift"), (2, "turn"))
        ]
        entries.append(RunTime("armed", prop.name, int(NIGHT_H * 3.6e6), opened_ns))
    return entries


def _work(prop: str, at_ns: int, number: int) -> list[Entry]:
    kind = "replaced" if number % 60 == 59 else "service"
    return [
        ServiceEntry(part, prop, "lift", kind, "Ines", "", {}, at_ns)
        for part in ("cylinder", "valve", "hinge", "pivot")
    ]


def looks(site: Site, now_ns: int) -> dict[str, Callable[[UpkeepReader], object]]:
    """What is timed, by name."""

    def due(reader: UpkeepReader) -> object:
        return Outlook(site, reader, now_ns).due()

    def part(reader: UpkeepReader) -> object:
        outlook = Outlook(site, reader, now_ns)
        fitting = next(f for f in outlook.fittings if f.id == "prop-07/lift/valve")
        streams = Watch(outlook, reader).prop("prop-07", ["lift"])
        return outlook.due_of(outlook.part(fitting)), outlook.life(fitting), streams

    def night(reader: UpkeepReader) -> object:
        newest = reader.night_spans()[-1].night_id
        wanted = Filter(nights=(newest,))
        return reader.counts(newest), list(reader.events(wanted)), list(reader.missed(wanted))

    def season(reader: UpkeepReader) -> object:
        return reader.night_spans(), reader.night_cycles()

    return {"due list": due, "part page": part, "night report": night, "season": season}


def statements(path: Path, look: Callable[[UpkeepReader], object]) -> list[str]:
    """The SQL that a look runs, with its values in place."""
    ran: list[str] = []
    with UpkeepReader.open(path) as reader:
        reader._db.set_trace_callback(ran.append)
        look(reader)
        reader._db.set_trace_callback(None)
    return ran


def timed_ms(times: int, *runs: Callable[[], object]) -> list[tuple[float, float]]:
    """Of so many runs after one to warm up, (median elapsed, least of this thread alone) for each.

    The runs take turns. What else this machine does only ever adds to the time of a thread, so the
    least is nearest to what the work itself takes.
    """
    elapsed: list[list[float]] = [[] for _ in runs]
    own: list[list[float]] = [[] for _ in runs]
    for number in range(times + 1):
        for place, run in enumerate(runs):
            began, own_began = time.perf_counter(), time.thread_time()
            run()
            if number:
                own[place].append((time.thread_time() - own_began) * 1000)
                elapsed[place].append((time.perf_counter() - began) * 1000)
    return [(statistics.median(e), min(o)) for e, o in zip(elapsed, own, strict=True)]


MOST_TIMES_SQL = 1.5
"""A look may take so many times what its bare SQL takes,"""
MOST_MS = 300.0
"""and so long."""


class Timed:
    """A reader that keeps account of the processor time spent in it, rows made included."""

    def __init__(self, reader: UpkeepReader) -> None:
        self._reader = reader
        self.own_ms = 0.0

    def __getattr__(self, name: str) -> Callable[..., object]:
        method = getattr(self._reader, name)

        def timed(*args: object, **kwargs: object) -> object:
            began = time.thread_time()
            found = method(*args, **kwargs)
            found = list(found) if isinstance(found, Iterator) else found
            self.own_ms += (time.thread_time() - began) * 1000
            return found

        return timed


def reading_ms(times: int, look: Callable[[UpkeepReader], object], reader: UpkeepReader) -> float:
    """What of a look is reading: the least of so many runs."""
    took = []
    for _ in range(times):
        timed = Timed(reader)
        look(timed)  # type: ignore[arg-type]
        took.append(timed.own_ms)
    return min(took)


def measure(path: Path, site: Site, now_ns: int, times: int) -> dict[str, dict[str, float]]:
    """Milliseconds of each look and of its bare SQL."""
    found = {}
    for name, look in looks(site, now_ns).items():
        sql = statements(path, look)
        bare = sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None)

        def fetch(db: sqlite3.Connection = bare, ran: list[str] = sql) -> None:
            for statement in ran:
                db.execute(statement).fetchall()

        with UpkeepReader.open(path) as reader:

            def run(
                look: Callable[[UpkeepReader], object] = look, reader: UpkeepReader = reader
            ) -> object:
                return look(reader)

            (elapsed_ms, own_ms), (sql_ms, own_sql_ms) = timed_ms(times, run, fetch)
            read_ms = reading_ms(times, look, reader)
        bare.close()
        found[name] = {
            "ms": elapsed_ms,
            "bare_sql_ms": sql_ms,
            "cpu_ms": own_ms,
            "bare_sql_cpu_ms": own_sql_ms,
            # Of processor time, since other programs share this machine.
            "ratio": own_ms / own_sql_ms,
            "reading_cpu_ms": read_ms,
            "reading_ratio": read_ms / own_sql_ms,
        }
    return found


def report_ms(path: Path, site_file: Path, night_id: int, times: int) -> dict[str, float]:
    """A night's report as `sexton report` puts it together, every section."""
    of = SiteFile(site_file, load(site_file))
    now_ns = time.time_ns()
    ((elapsed_ms, own_ms),) = timed_ms(
        times, lambda: gather(path, (night_id,), "night", now_ns, of)
    )
    return {"ms": elapsed_ms, "cpu_ms": own_ms}


def longest_pause_ms(path: Path, site: Site, now_ns: int) -> float:
    """How long a loop that wants 4 looks a second is held up while another thread reads."""
    ends = threading.Event()

    def read() -> None:
        with UpkeepReader.open(path) as reader:
            for look in looks(site, now_ns).values():
                look(reader)
        ends.set()

    thread = threading.Thread(target=read)
    worst, last = 0.0, time.perf_counter()
    thread.start()
    while not ends.is_set():
        time.sleep(0.005)
        now = time.perf_counter()
        worst, last = max(worst, (now - last) * 1000 - 5), now
    thread.join()
    return worst


def main() -> int:
    """Write, measure, print; returns 1 where a look is past its limits."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cycles", type=int, default=5_000_000)
    parser.add_argument("--nights", type=int, default=150)
    parser.add_argument("--props", type=int, default=32)
    parser.add_argument("--times", type=int, default=25)
    parser.add_argument("--keep", type=Path, help="a folder for the ledger, used again if there")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = args.keep or Path(name)
        folder.mkdir(exist_ok=True)
        days = calendar(args.nights)
        site_file, path = folder / "site.yaml", folder / "large.ledger"
        site_file.write_text(site_text(args.props, days), encoding="utf-8")
        site = load(site_file)
        rate = None
        if not path.exists():
            rate = fill(path, site, days[: args.nights], args.cycles)
        now_ns = ns_of(days[args.nights - 1]) + 20 * 3600 * 10**9
        found: dict[str, object] = {
            "cycles": args.cycles,
            "ledger_mb": path.stat().st_size / 1e6,
            "written_a_second": rate,
            "looks": measure(path, site, now_ns, args.times),
            "longest_pause_beside_ms": longest_pause_ms(path, site, now_ns),
            "whole_report": report_ms(path, folder / "site.yaml", args.nights, args.times),
        }
    measured = found["looks"]
    assert isinstance(measured, dict)
    slow = [
        name
        for name, row in measured.items()
        if row["ratio"] > MOST_TIMES_SQL or row["ms"] > MOST_MS
    ]
    if args.json:
        print(json.dumps(found, indent=2))
        return int(bool(slow))
    print(f"{args.cycles} cycles in {args.nights} nights, {found['ledger_mb']:.0f} MB")
    if rate is not None:
        print(f"written at {rate:.0f} cycles a second")
    for name, row in measured.items():
        print(
            f"{name:14} {row['ms']:7.1f} ms (CPU {row['cpu_ms']:6.1f})   bare SQL"
            f" {row['bare_sql_ms']:7.1f} ms (CPU {row['bare_sql_cpu_ms']:6.1f})"
            f"   ratio {row['ratio']:.2f}, of reading {row['reading_ratio']:.2f}"
        )
    whole = found["whole_report"]
    assert isinstance(whole, dict)
    print(f"whole report   {whole['ms']:7.1f} ms (CPU {whole['cpu_ms']:6.1f})")
    print(f"another thread is held up for at most {found['longest_pause_beside_ms']:.1f} ms")
    if slow:
        print(f"past {MOST_TIMES_SQL:g} times the bare SQL, or {MOST_MS:g} ms: {', '.join(slow)}")
    return int(bool(slow))


if __name__ == "__main__":
    sys.exit(main())
