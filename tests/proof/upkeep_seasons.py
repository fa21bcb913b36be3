"""Seasons with wear put in, written to a real ledger and judged by what upkeep says of it.

Run it as `python -m tests.proof.upkeep_seasons [--seed 6] [--quick] [--json]`. Three questions,
each beside a plain rule: how soon is a slowing motion found and how often a healthy one flagged;
how true are the chances of the forecast; how often do the spares brought not suffice.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import math
import random
import statistics
import tempfile
from collections import deque
from pathlib import Path

from console.ledger.entries import Entry, Surroundings
from console.ledger.upkeep import UpkeepReader
from console.rules.spares import ASSUMED_SHAPE
from console.upkeep.outlook import Outlook
from console.upkeep.watching import Watch
from tests.proof.wearing_site import SECOND_NS, Book, make_site, site_text

NOISE = 0.05
SLOWER = 0.15
RAMP = 300
SLOWING_NIGHTS = 12
"""Enough for every slow-down to come to its full share before the season ends."""
COLDER = 0.04

Figures = dict[str, float]


def season(nights: int, year: int = 2027) -> list[tuple[dt.date, int]]:
    """Fridays, Saturdays and Sundays from September on, the Saturdays longer."""
    day, found = dt.date(year, 9, 3), []
    while len(found) < nights:
        if day.weekday() in (4, 5, 6):
            found.append((day, 5 if day.weekday() == 5 else 4))
        day += dt.timedelta(days=1)
    return found


# --- slowing ---------------------------------------------------------------------------------


class _Plain:
    """A baseline to compare with: the mean of the newest few so much above that of the first 50."""

    def __init__(self, factor: float, newest: int) -> None:
        self.flagged: int | None = None
        self._factor = factor
        self._first: list[float] = []
        self._newest: deque[float] = deque(maxlen=newest)

    def add(self, ms: float, number: int) -> None:
        """Judge one value."""
        if len(self._first) < 50:
            self._first.append(ms)
            return
        self._newest.append(ms)
        full = len(self._newest) == self._newest.maxlen
        limit = self._factor * statistics.fmean(self._first)
        if self.flagged is None and full and statistics.fmean(self._newest) > limit:
            self.flagged = number


_PLAIN = {"one_value_15_percent": (1.15, 1), "mean_of_ten_10_percent": (1.10, 10)}


def slowing(
    folder: Path,
    rng: random.Random,
    sites: int,
    props: int,
    odd: float = 0.0,
    *,
    colder: bool = False,
) -> Figures:
    """Half of the props of each site slow down in mid-season, the others never do.

    `odd` is how far nights differ from each other by themselves, as a share. With `colder` the
    season cools down, every motion is `COLDER` slower for 20 degF, and the ledger knows how warm
    each night was.
    """
    calendar = season(SLOWING_NIGHTS)
    delays: list[int] = []
    plain_delays: dict[str, list[int]] = {rule: [] for rule in _PLAIN}
    plain_false = dict.fromkeys(_PLAIN, 0)
    missed = false_flags = healthy_values = healthy_cycles = 0
    false_by_site: list[int] = []
    for number in range(sites):
        at = folder / f"slow-{odd}-{colder}-{number}"
        at.mkdir()
        site = make_site(at, site_text(props, calendar))
        book = Book(at / "works.ledger")
        starts = {
            p.name: rng.randint(500, 700) if i % 2 else None for i, p in enumerate(site.props)
        }
        plain = {p.name: {r: _Plain(*how) for r, how in _PLAIN.items()} for p in site.props}
        number_at: dict[tuple[str, int], int] = {}
        for night, (day, hours) in enumerate(calendar):
            opened = book.open_night(day)
            entries: list[Entry] = []
            degf = 62 - 2 * night + rng.gauss(0, 4) if colder else 60.0
            if colder:
                minutes = range(0, hours * 60, 5)
                entries += [Surroundings(opened + m * 60 * SECOND_NS, None, degf) for m in minutes]
            for prop, start in starts.items():
                tonight = math.exp(rng.gauss(0, odd) - COLDER * (degf - 60) / 20)
                at_ns = opened
                while at_ns < opened + hours * 3600 * SECOND_NS:
                    at_ns += int(rng.expovariate(1 / 150) * SECOND_NS) + 20 * SECOND_NS
                    done = book.cycles.get(prop, 0) + 1
                    slower = tonight
                    if start is not None and done > start:
                        slower *= 1 + SLOWER * min(1.0, (done - start) / RAMP)
                    out = 500 * slower * math.exp(rng.gauss(0, NOISE))
                    back = 700 * tonight * math.exp(rng.gauss(0, NOISE))
                    entries.append(book.cycle(prop, at_ns, out, back))
                    number_at[prop, at_ns] = done
                    for rule in plain[prop].values():
                        rule.add(out, done)
            book.write(entries)
            book.close_night(opened + hours * 3600 * SECOND_NS)
        with UpkeepReader.open(book.path) as reader:
            watch = Watch(Outlook(site, reader, book.now_ns + SECOND_NS), reader)
            before = false_flags
            for prop, start in starts.items():
                cycles = book.cycles[prop]
                healthy_cycles += cycles if start is None else min(cycles, start)
                for watched in watch.prop(prop):
                    flagged = watched.stream.flagged_at
                    at_cycle = (
                        None if flagged is None
                        else number_at[prop, watched.started_ns[flagged - 1]]
                    )  # fmt: skip
                    worn = start is not None and watched.direction == "out"
                    healthy_values += watched.stream.count if not worn else 0
                    if worn and (at_cycle is None or at_cycle <= (start or 0)):
                        missed += at_cycle is None
                        false_flags += at_cycle is not None
                    elif worn and at_cycle is not None and start is not None:
                        delays.append(at_cycle - start)
                    elif at_cycle is not None:
                        false_flags += 1
                for name, rule in plain[prop].items():
                    if rule.flagged is None:
                        continue
                    if start is None or rule.flagged <= start:
                        plain_false[name] += 1
                    else:
                        plain_delays[name].append(rule.flagged - start)
            false_by_site.append(false_flags - before)
        book.ledger.close()
    return {
        "slowing_found": len(delays),
        "slowing_missed": missed,
        "delay_median_cycles": statistics.median(delays),
        "delay_90_percent_cycles": statistics.quantiles(delays, n=10)[-1],
        "false_flags_per_10000_healthy_cycles": 1e4 * false_flags / healthy_cycles,
        "healthy_cycles": healthy_cycles,
        "healthy_values": healthy_values,
        "false_flags_per_site_in_ten_nights": 10 * false_flags / (sites * SLOWING_NIGHTS),
        "most_false_flags_of_a_site": max(false_by_site),
        "sites": sites,
        "nights": SLOWING_NIGHTS,
        # A plain rule stops at its first flag; a share of props says more than a rate of cycles.
        **{
            f"plain_{rule}_{what}": value
            for rule, delays_of in plain_delays.items()
            for what, value in (
                ("flagged_healthy_share", plain_false[rule] / (sites * props)),
                ("found", len(delays_of)),
                ("delay_median", statistics.median(delays_of) if delays_of else math.nan),
            )
        },
    }


# --- forecast --------------------------------------------------------------------------------


def forecasts(folder: Path, rng: random.Random, props: int, nights: int) -> Figures:
    """After each night ask for the chance of each limit; see what the next one brings."""
    calendar = season(nights)
    at = folder / "forecast"
    at.mkdir()
    service = "  oil: {title: Oil the rod, part: cylinder, strokes: 1500}"
    site = make_site(at, site_text(props, calendar, service=service))
    book = Book(at / "works.ledger")
    said: dict[str, tuple[float, float]] = {}
    pairs: list[tuple[float, float, bool]] = []
    spans: dict[str, tuple[dt.date, dt.date]] = {}
    inside = outside = 0
    rate = {p.name: rng.uniform(30, 90) for p in site.props}
    last: dict[str, int] = {}
    with UpkeepReader.open(book.path) as reader:
        for number, (day, hours) in enumerate(calendar):
            opened = book.open_night(day)
            crowd = math.exp(rng.gauss(0, 0.2)) * (1.3 if day.weekday() == 5 else 1.0)
            entries = []
            for prop, an_hour in rate.items():
                last[prop] = max(0, round(an_hour * hours * crowd * math.exp(rng.gauss(0, 0.1))))
                entries.append(book.stroke(prop, last[prop], opened + SECOND_NS))
            book.write(entries)
            book.close_night(opened + hours * 3600 * SECOND_NS)
            outlook = Outlook(site, reader, book.now_ns + SECOND_NS)
            repairs = []
            for due in outlook.due():
                if due.task.name != "oil":
                    continue
                prop = due.fitting.prop
                mark = due.nearest
                assert mark is not None
                assert mark.used is not None
                came = mark.used >= mark.limit
                if prop in said:
                    pairs.append((*said[prop], came))
                if came:
                    if prop in spans:
                        early, late = spans.pop(prop)
                        inside += early <= day <= late
                        outside += not early <= day <= late
                    said.pop(prop, None)
                    repairs.append(
                        book.work(prop, "cylinder", "service", book.now_ns + SECOND_NS, "oil")
                    )
                    continue
                chance = due.forecast.chance_next
                if chance is None or number < 3:
                    continue
                plain = 1.0 if mark.limit - mark.used <= last[prop] else 0.0
                said[prop] = (chance, plain)
                ahead = due.forecast
                if prop not in spans and ahead.early and ahead.late and mark.used > 300:
                    spans[prop] = (ahead.early, ahead.late)
            book.write(repairs)
    book.ledger.close()
    figures: Figures = {"forecasts": len(pairs)}
    for low, high in ((0.0, 0.05), (0.05, 0.35), (0.35, 0.65), (0.65, 0.95), (0.95, 1.01)):
        among = [(p, came) for p, _, came in pairs if low <= p < high]
        if among:
            name = f"said_{low:.2f}_to_{min(high, 1):.2f}"
            figures[f"{name}_mean"] = statistics.mean(p for p, _ in among)
            figures[f"{name}_came"] = statistics.mean(came for _, came in among)
            figures[f"{name}_count"] = len(among)
    figures["brier"] = statistics.mean((p - came) ** 2 for p, _, came in pairs)
    figures["plain_brier"] = statistics.mean((p - came) ** 2 for _, p, came in pairs)
    figures["date_spans"] = inside + outside
    figures["within_80_percent_span"] = inside / max(inside + outside, 1)
    return figures


# --- spares ----------------------------------------------------------------------------------


def stock(folder: Path, rng: random.Random, props: int, nights: int, confidence: float) -> Figures:
    """Parts fail by a Weibull life that nobody is told; spares are brought for each weekend."""
    calendar = season(nights)
    at = folder / "spares"
    at.mkdir()
    shape, scale = 2.5, 9000.0
    b10 = round(scale * (-math.log(0.9)) ** (1 / shape))
    parts = f"          seal: {{kind: other, model: seal, b10: {b10}}}\n"
    site = make_site(at, site_text(props, calendar, parts=parts))
    book = Book(at / "works.ledger")
    life = {p.name: rng.weibullvariate(scale, shape) for p in site.props}
    age = {p.name: 0.0 for p in site.props}
    brought = plain_brought = out = plain_out = weekends = used = 0
    here = plain_here = failed_now = 0
    with UpkeepReader.open(book.path) as reader:
        for number, (day, hours) in enumerate(calendar):
            if number % 3 == 0:
                if number:
                    weekends += 1
                    brought += here
                    plain_brought += plain_here
                    out += failed_now > here
                    plain_out += failed_now > plain_here
                    used += failed_now
                now_ns = book.now_ns + SECOND_NS if number else _day_before(day)
                stocks = {s.name: s for s in Outlook(site, reader, now_ns).stocks(3, confidence)}
                here = stocks["seal"].need.bring or 0
                # The plain rule: as many as the last weekend took, and one more.
                plain_here = failed_now + 1
                failed_now = 0
            opened = book.open_night(day)
            entries, repairs = [], []
            for prop in life:
                strokes = round(rng.uniform(60, 110) * hours)
                entries.append(book.stroke(prop, strokes, opened + SECOND_NS))
                age[prop] += strokes
                if age[prop] >= life[prop]:
                    failed_now += 1
                    repairs.append(prop)
                    age[prop], life[prop] = 0.0, rng.weibullvariate(scale, shape)
            book.write(entries)
            book.close_night(opened + hours * 3600 * SECOND_NS)
            book.write(
                book.work(prop, "seal", "replaced", book.now_ns + SECOND_NS) for prop in repairs
            )
        final = Outlook(site, reader, book.now_ns + 2 * SECOND_NS)
        fitted = {s.name: s for s in final.stocks(0, confidence)}["seal"].life
    book.ledger.close()
    assert fitted.weibull is not None
    return {
        "weekends": weekends,
        "confidence": confidence,
        "failures": used,
        "brought": brought,
        "stock_outs": out,
        "stock_out_share": out / weekends,
        "plain_last_and_one_brought": plain_brought,
        "plain_last_and_one_stock_outs": plain_out,
        "plain_last_and_one_stock_out_share": plain_out / weekends,
        "true_shape": shape,
        "fitted_shape": fitted.weibull.beta,
        "true_b10": b10,
        "fitted_b10": fitted.weibull.b10,
        "assumed_shape": ASSUMED_SHAPE,
    }


def _day_before(day: dt.date) -> int:
    at = dt.datetime.combine(day - dt.timedelta(days=1), dt.time(12), dt.UTC)
    return int(at.timestamp()) * SECOND_NS


def everything(seed: int, *, quick: bool = False) -> dict[str, Figures]:
    """All three; `quick` for a look that takes seconds."""
    rng = random.Random(seed)
    sites = 1 if quick else 12
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        return {
            "slowing": slowing(folder, rng, sites, 8),
            "slowing, nights 1 % apart": slowing(folder, rng, sites, 8, 0.01),
            "slowing, nights 2 % apart": slowing(folder, rng, sites, 8, 0.02),
            "slowing, nights 1 % apart and ever colder": slowing(
                folder, rng, sites, 8, 0.01, colder=True
            ),
            "forecast": forecasts(folder, rng, 8 if quick else 40, 30 if quick else 60),
            "spares": stock(folder, rng, 12 if quick else 30, 60 if quick else 300, 0.95),
        }


def main() -> None:
    """Simulate and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=6)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    found = everything(args.seed, quick=args.quick)
    if args.json:
        print(json.dumps(found, indent=2))
        return
    for name, figures in found.items():
        print(name)
        for key, value in figures.items():
            print(f"  {key:52} {value:.4g}")


if __name__ == "__main__":
    main()
