"""The guided leak test of `sexton air leak-test`: leads, reckons, keeps, lists."""

from __future__ import annotations

import argparse
import datetime as dt
import json
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from console.commands.air import air_of
from console.commands.calc_common import given
from console.errors import NoEngine, UserError
from console.figures.inputs import FigureError
from console.launch import Running, find_engine
from console.ledger.entries import EventEntry
from console.ledger.finding import find_ledger
from console.ledger.ledger import Ledger
from console.ledger.opening import explaining
from console.ledger.reader import Reader
from console.ledger.rows import EventRow, Filter
from console.places import user_name
from console.rules.airtest import (
    EVENT_KIND,
    LEAST_FALL_PSI,
    STEPS,
    LeakTest,
    Mark,
    detail_of,
    leak_test,
)
from console.rules.text import plain
from console.site.loading import load
from console.site.models import Site
from console.views.client import call, snapshot
from console.views.models import PropState, PropView

_LOOK_S = 2.0
_ENOUGH_PSI = 10.0


@dataclass(frozen=True, slots=True)
class _Where:
    site: Path
    ledger: Path
    engine: Running | None


def run(arguments: argparse.Namespace) -> int:
    """List the tests, or make one; 1 where the system is poorly kept or the test was refused."""
    where = _where(arguments)
    site = load(where.site)
    if arguments.list:
        return _list(where, arguments.json)
    start, end, minutes = _readings(arguments, where)
    try:
        found = leak_test(site, start, end, minutes)
    except FigureError as error:
        raise UserError(f"no leak can be told from this: {error}", "Read it again.") from None
    except ValueError as error:
        raise UserError(str(error), "Give it under `air`.") from None
    by = (arguments.by or user_name()).strip()[:60]
    _keep(where, found, by)
    if arguments.json:
        print(json.dumps(detail_of(found)))
    else:
        print("\n".join(said(site, found)))
    return 1 if found.mark is Mark.POOR else 0


def said(site: Site, found: LeakTest) -> list[str]:
    """What a test found, in words."""
    fell = f"{found.from_psi:g} to {found.to_psi:g} psi in {found.minutes:g} min"
    lines = [f"{fell}: a leak of {found.leak_cfm:.2f} cfm of free air"]
    compressor = site.air.compressor
    if found.percent is not None and compressor is not None:
        lines.append(
            f"that is {found.percent:.0f} % of the compressor's {compressor.delivers_scfm:g} scfm: "
            f"{found.mark} (under 10 % well kept, 20 % and more poorly)"
        )
    if found.from_psi - found.to_psi < LEAST_FALL_PSI:
        lines.append(
            "It fell by less than a gauge tells for sure: wait longer for a better figure."
        )
    return [*lines, found.advice]


def _where(arguments: argparse.Namespace) -> _Where:
    engine = None
    try:
        engine = find_engine(arguments.site)
    except NoEngine:
        if arguments.site is None:
            raise UserError(
                "no engine is running, so the site must be named",
                "Name the site file: `sexton air leak-test --site my-site.yaml`.",
            ) from None
    site = Path(engine.site) if engine is not None else Path(arguments.site)
    ledger = arguments.ledger or (Path(engine.ledger) if engine else find_ledger(site=site))
    if engine is not None and ledger.resolve() != Path(engine.ledger).resolve():
        engine = None
    return _Where(site, ledger, engine)


def _readings(arguments: argparse.Namespace, where: _Where) -> tuple[float, float, float]:
    """Two pressures in psi and the minutes between them."""
    told = (arguments.from_, arguments.to, arguments.time)
    if all(told):
        if arguments.watch:
            raise UserError("--watch reads the pressures itself", "Leave --from, --to and --time.")
        start, end = given("--from", told[0], "psi"), given("--to", told[1], "psi")
        return start, end, given("--time", told[2], "min")
    if any(told):
        raise UserError(
            "--from, --to and --time belong together",
            "Give all three, or none of them to be led through it.",
        )
    if not sys.stdin.isatty() and not arguments.watch:
        raise UserError(
            "a guided test needs a terminal", "Give --from, --to and --time, or --watch."
        )
    for number, step in enumerate(STEPS, 1):
        print(f"{number}. {step}", file=sys.stderr)
    if arguments.watch:
        return _watched(where, given("--watch", arguments.watch, "min"))
    start = given("the first reading", input("Gauge at the beginning (such as 110psi): "), "psi")
    began = time.monotonic()
    input("Press Enter at the moment of the second reading. ")
    waited = (time.monotonic() - began) / 60
    end = given("the second reading", input("Gauge now: "), "psi")
    text = input(f"Time between the two (Enter: {waited:.1f} min): ").strip()
    return start, end, given("the time", text, "min") if text else waited


def _watched(where: _Where, longest_min: float) -> tuple[float, float, float]:
    """Let the sensor read: until it fell far enough, the time is over, or Ctrl+C."""
    if where.engine is None:
        raise UserError(
            "no engine is running whose sensor could watch", "Start it, or read the gauge yourself."
        )
    _nothing_moves(where.engine)
    began, psi, minutes = time.monotonic(), _pressure(where.engine), 0.0
    seen = [(minutes, psi)]
    try:
        while minutes < longest_min and seen[0][1] - psi < _ENOUGH_PSI:
            time.sleep(min(_LOOK_S, max(0.05, (longest_min - minutes) * 60)))
            psi, minutes = _pressure(where.engine), (time.monotonic() - began) / 60
            seen.append((minutes, psi))
            print(f"\r{minutes:5.1f} min  {psi:6.1f} psi ", end="", file=sys.stderr, flush=True)
    except KeyboardInterrupt:
        print("\nended by hand", file=sys.stderr)
    print(file=sys.stderr)
    return _straight(seen)


def _straight(seen: list[tuple[float, float]]) -> tuple[float, float, float]:
    """First and last pressure and the minutes between, by the straight line through all readings.

    A single reading wavers by half a psi; over the few psi of a test the fall is straight enough.
    """
    times, psis = [one[0] for one in seen], [one[1] for one in seen]
    middle, mean = sum(times) / len(times), sum(psis) / len(psis)
    spread = sum((t - middle) ** 2 for t in times)
    off = zip(times, psis, strict=True)
    slope = sum((t - middle) * (p - mean) for t, p in off) / spread if spread else 0.0
    first, last = mean - slope * middle, mean + slope * (times[-1] - middle)
    return round(first, 1), round(last, 1), round(times[-1], 2)


def _nothing_moves(engine: Running) -> None:
    """Strokes during a test would count as leak."""

    ready = (PropState.ARMED, PropState.RUNNING, PropState.RESTING)
    props = [e for e in snapshot(engine.folder.socket).values() if isinstance(e, PropView)]
    armed = [prop.name for prop in props if prop.state in ready]
    if armed:
        raise UserError(
            f"{len(armed)} props answer triggers, and their strokes would count as leak",
            f"Disarm them first: {', '.join(armed[:6])}{' …' if len(armed) > 6 else ''}.",
        )


def _pressure(engine: Running) -> float:
    air = air_of(engine)
    if air["measured_psi"] is None:
        raise UserError(
            "the tank's sensor says nothing", "Read the gauge yourself: leave --watch away."
        )
    if air["compressor_on"]:
        print("\rthe compressor seems to run: switch it off", file=sys.stderr)
    return float(air["measured_psi"])


def _keep(where: _Where, found: LeakTest, by: str) -> None:
    if where.engine is None:
        entry = EventEntry(EVENT_KIND, "air", detail_of(found), time.time_ns(), by)
        with explaining(where.ledger), Ledger.open(where.ledger) as ledger:
            ledger.append([entry])
        return
    args = {
        "from_psi": found.from_psi, "to_psi": found.to_psi, "minutes": found.minutes, "by": by,
    }  # fmt: skip
    try:
        reply = call(where.engine.folder.socket, "leak_test", args)
    except OSError as error:
        raise UserError(
            f"the engine does not answer: {error}",
            "The test was not kept; give its readings again with --from, --to and --time.",
        ) from None
    if not reply.ok:
        refusals = [refusal for several in reply.refused.values() for refusal in several]
        why = refusals[0].reason if refusals else "it did not say why"
        raise UserError(
            f"the engine refused to keep the test: {why}", refusals[0].remedy if refusals else ""
        )


def _list(where: _Where, as_json: bool) -> int:
    rows: list[EventRow] = []
    if where.ledger.exists():
        with explaining(where.ledger), Reader.open(where.ledger) as reader:
            rows = list(reader.events(Filter(kind=EVENT_KIND)))
    if as_json:
        print(json.dumps([{**r.detail, "wall_ns": r.wall_ns, "by": r.by} for r in rows]))
        return 0
    for row in rows:
        when = dt.datetime.fromtimestamp(row.wall_ns / 1e9).strftime("%Y-%m-%d %H:%M")
        cfm, percent = row.detail.get("leak_cfm"), row.detail.get("percent")
        share = f"{percent:>5.1f} %" if isinstance(percent, int | float) else "      -"
        bar = "#" * min(40, round(percent)) if isinstance(percent, int | float) else ""
        print(f"{when}  {cfm} cfm  {share}  {bar:<20}  {plain(row.by)}")
    if not rows:
        print("no leak test is in the ledger yet")
    return 0
