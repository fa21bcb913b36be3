"""`sexton calc` for upkeep: life of parts, slowing, spares."""

from __future__ import annotations

import argparse
from collections.abc import Sequence

from console.commands.calc_common import Answer, Row, Subparsers, add_figure, given
from console.commands.calc_values import values
from console.errors import UserError

_VALUES = "numbers between commas, a file with one a line, or - for standard input"


def add(subparsers: Subparsers) -> None:
    """Define these figures."""
    add_figure(
        subparsers,
        "life",
        "years that a part lasts by its maker's B10d",
        _life,
        examples=("--b10d 20000000 --days 220 --hours 8 --every 10s",),
        needs=("--b10d", "--days", "--hours", "--every"),
        help_for={
            "--b10d": "cycles until 10 %% fail dangerously",
            "--days": "days a year",
            "--hours": "hours a day",
            "--every": "from one start to the next",
        },
    )
    add_figure(
        subparsers,
        "weibull",
        "life of a kind of part from its failures and from those still running",
        _weibull,
        examples=(
            "--failures 54,187,216,240,244,335,361,373,375,386 --censored 500x10",
            "--failures lives.txt --bounds 0.9",
        ),
        offers=("--failures", "--censored", "--bounds"),
        help_for={
            "--failures": _VALUES,
            "--censored": "parts still running; 500x10 is ten at 500",
            "--bounds": "add likelihood ratio bounds, such as 0.9",
        },
    ).add_argument(
        "--by-ranks", action="store_true", help="rank regression on Y, not maximum likelihood"
    )
    ewma = add_figure(
        subparsers,
        "ewma",
        "an EWMA chart",
        _ewma,
        examples=("--values 52.0,47.0,53.0 --start 50 --sigma 2.0539 --weight 0.3 --limit 3",),
        needs=("--start", "--sigma", "--weight", "--limit"),
        offers=("--values",),
        help_for={"--values": _VALUES, "--limit": "limits in sigmas of the average"},
    )
    ewma.add_argument("--exact", action="store_true", help="limits that widen from the start")
    cusum = add_figure(
        subparsers,
        "cusum",
        "a tabular CUSUM chart, both sides",
        _cusum,
        examples=(
            "--values 324.925,324.675,324.725 --target 325 --allowance 0.3175 --decision 4.1959",
        ),
        needs=("--target", "--allowance", "--decision"),
        offers=("--values", "--head-start"),
        help_for={
            "--values": _VALUES,
            "--allowance": "slack, in the unit of the values",
            "--decision": "sum that signals, in the unit of the values",
            "--head-start": "what both sums begin with (default: 0)",
        },
    )
    for chart in (ewma, cusum):
        chart.add_argument("--reset", action="store_true", help="start afresh after each signal")
    add_figure(
        subparsers,
        "spares",
        "spares that cover a demand which comes at random",
        _spares,
        examples=("--mean 2 --confidence 0.95",),
        needs=("--mean", "--confidence"),
        help_for={
            "--mean": "failures expected in the time",
            "--confidence": "chance that the spares suffice, such as 0.95",
        },
    )


def _life(arguments: argparse.Namespace) -> Answer:
    from console.figures.life import life

    result = life(
        given("--b10d", arguments.b10d, "", bare=True),
        given("--days", arguments.days, "days", bare=True),
        given("--hours", arguments.hours, "h", bare=True),
        given("--every", arguments.every, "s"),
    )
    return Answer(
        rows=(
            Row("n_op_per_year", result.n_op_per_year, "operations", "a year"),
            Row("t10d_years", result.t10d_years, "T10d", "years"),
            Row("mttfd_years", result.mttfd_years, "MTTFd", "years"),
        ),
        formula="n_op = d h 3600 / t; T10d = B10d / n_op; MTTFd = B10d / (0.1 n_op)",
        source="ISO 13849-1:2006 C.4",
        note="a standard's formula, for planning upkeep; it makes nothing a safety function",
    )


def _weibull(arguments: argparse.Namespace) -> Answer:
    from console.figures.weibull import beta_bounds, fit, fit_by_ranks, quantile_bounds

    if arguments.censored == "-" and arguments.failures in (None, "-"):
        raise UserError("--failures and --censored cannot both be standard input")
    failures = values("--failures", arguments.failures)
    censored = () if arguments.censored is None else values("--censored", arguments.censored)
    fitted = (fit_by_ranks if arguments.by_ranks else fit)(failures, censored)
    rows = [
        Row("beta", fitted.beta, "shape"),
        Row("eta", fitted.eta, "scale"),
        Row("b10", fitted.b10, "10 % have failed by"),
        Row("b50", fitted.b50, "half have failed by"),
    ]
    if arguments.bounds is not None:
        confidence = given("--bounds", arguments.bounds, "", bare=True)
        found = {
            "beta": beta_bounds(failures, censored, confidence=confidence),
            "b10": quantile_bounds(failures, censored, share=0.1, confidence=confidence),
            "b50": quantile_bounds(failures, censored, share=0.5, confidence=confidence),
        }
        pairs = {name: [bound.lower, bound.upper] for name, bound in found.items()}
        rows.append(Row("bounds", pairs, f"bounds at {confidence:g}"))
    method = "rank regression on Y" if arguments.by_ranks else "maximum likelihood"
    return Answer(
        rows=tuple(rows),
        formula=f"{method}, {len(failures)} failed, {len(censored)} still running",
        source="D. Kececioglu, Reliability Engineering Handbook"
        if arguments.by_ranks
        else "NIST/SEMATECH e-Handbook 8.4.1.3",
    )


def _ewma(arguments: argparse.Namespace) -> Answer:
    from console.figures.drift import ewma

    points = values("--values", arguments.values)
    chart = ewma(
        points,
        start=given("--start", arguments.start, "", bare=True),
        sigma=given("--sigma", arguments.sigma, "", bare=True),
        weight=given("--weight", arguments.weight, "", bare=True),
        limit=given("--limit", arguments.limit, "", bare=True),
        exact=arguments.exact,
        reset=arguments.reset,
    )
    return Answer(
        rows=(
            Row("ewma", chart.ewma, "ewma"),
            Row("upper", chart.upper, "upper limit"),
            Row("lower", chart.lower, "lower limit"),
            Row("signals", chart.signals, "signals at"),
        ),
        formula="z = w x + (1 - w) z; limits start +- L sigma sqrt(w / (2 - w))",
        source="NIST/SEMATECH e-Handbook 6.3.2.4",
        columns=_by_value(chart.signals, value=points, ewma=chart.ewma),
    )


def _cusum(arguments: argparse.Namespace) -> Answer:
    from console.figures.drift import cusum

    points = values("--values", arguments.values)
    ahead = arguments.head_start
    chart = cusum(
        points,
        target=given("--target", arguments.target, "", bare=True),
        allowance=given("--allowance", arguments.allowance, "", bare=True),
        decision=given("--decision", arguments.decision, "", bare=True),
        head_start=0.0 if ahead is None else given("--head-start", ahead, "", bare=True),
        reset=arguments.reset,
    )
    return Answer(
        rows=(
            Row("high", chart.high, "high side"),
            Row("low", chart.low, "low side"),
            Row("signals", chart.signals, "signals at"),
        ),
        formula="high = max(0, high + x - target - k); low = max(0, low + target - x - k)",
        source="NIST/SEMATECH e-Handbook 6.3.2.3",
        columns=_by_value(chart.signals, value=points, high=chart.high, low=chart.low),
    )


def _spares(arguments: argparse.Namespace) -> Answer:
    from console.figures.spares import chance_enough, spares

    mean = given("--mean", arguments.mean, "", bare=True)
    count = spares(mean, given("--confidence", arguments.confidence, "", bare=True))
    return Answer(
        rows=(Row("spares", count, "spares"),),
        formula=f"least n with P(X <= n) >= confidence; here P = {chance_enough(count, mean):.4g}",
        source="Poisson distribution",
    )


def _by_value(signals: Sequence[int], **columns: Sequence[float]) -> tuple[tuple[str, ...], ...]:
    """A table of lists side by side, numbered from 1, with the signals marked."""
    marked = set(signals)
    body = (
        (str(number), *(f"{cell:.6g}" for cell in row), "signal" if number in marked else "")
        for number, row in enumerate(zip(*columns.values(), strict=True), start=1)
    )
    return (("", *columns, ""), *body)
