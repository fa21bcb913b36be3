"""The looking half of `sexton upkeep`."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable

from console.commands.upkeep_common import looking, meant, print_table
from console.errors import UserError
from console.rules.upkeep import Standing
from console.site.fittings import find
from console.upkeep import saying
from console.upkeep.outlook import Due, Outlook
from console.upkeep.watching import Flag, Watch, Watched

_MOST_STREAMS = 12


def _due(arguments: argparse.Namespace) -> int:
    with looking(meant(arguments), arguments.night) as (outlook, _):
        found = _of_prop(outlook, outlook.due(everything=arguments.all), arguments.prop)
        if arguments.json:
            _print_json([saying.due_object(due) for due in found])
            return 0
        if not found:
            print("nothing is due, now or later", file=sys.stderr)
            return 0
        print(_ahead_words(outlook))
        print_table(
            ("", "due", "chance", "what", "", "since its last service"),
            [
                (
                    due.standing.value if due.standing is not Standing.FINE else "",
                    saying.when_words(due, outlook.today),
                    saying.chance_words(due.forecast),
                    due.id,
                    due.task.title,
                    saying.mark_words(due.nearest),
                )
                for due in found
            ],
        )
        print("\nchance: that it is due before the next night ends")
        if any(due.forecast.few for due in found):
            print(saying.FEW_WORDS)
    return 0


def _forecast(arguments: argparse.Namespace) -> int:
    with looking(meant(arguments), arguments.night) as (outlook, _):
        found = _of_prop(outlook, outlook.due(), arguments.prop)
        if arguments.json:
            _print_json([saying.due_object(due) for due in found])
            return 0
        print(_ahead_words(outlook))
        print_table(
            ("what", "chance", "1 in 10 by", "likely by", "9 in 10 by", "since its last service"),
            [
                (
                    due.id,
                    saying.chance_words(due.forecast),
                    *(
                        "now" if due.standing is Standing.DUE else day.isoformat() if day else "-"
                        for day in (due.forecast.early, due.forecast.on, due.forecast.late)
                    ),
                    saying.mark_words(due.nearest),
                )
                for due in found
            ],
        )
        print("\n-: after the calendar of the site file ends, or not to be told")
        if any(due.forecast.few for due in found):
            print(saying.FEW_WORDS)
    return 0


def _spares(arguments: argparse.Namespace) -> int:
    with looking(meant(arguments), arguments.night) as (outlook, _):
        nights = min(arguments.nights or len(outlook.ahead), len(outlook.ahead))
        if not nights:
            raise UserError(
                "the calendar of the site file has no night ahead", "Add `nights` to the site file."
            )
        stocks = outlook.stocks(nights, arguments.confidence)
        if arguments.json:
            _print_json(
                {
                    "nights": nights,
                    "confidence": arguments.confidence,
                    "stocks": [saying.stock_object(stock) for stock in stocks],
                }
            )
            return 0
        print(f"for {nights} nights, enough with a chance of {arguments.confidence:.0%} each")
        print_table(
            ("bring", "of", "kind", "in use", "expected", "life rests on"),
            [
                (
                    "?" if s.need.bring is None else str(s.need.bring),
                    s.name,
                    s.kind,
                    str(s.need.in_use),
                    "" if s.need.mean is None else f"{s.need.mean:.3g}",
                    s.life.ground.value,
                )
                for s in stocks
            ],
        )
        if any(s.need.bring is None for s in stocks):
            print("\n?: neither replacements, nor nights, nor the maker's B10 tell")
    return 0


def _drift(arguments: argparse.Namespace) -> int:
    with looking(meant(arguments)) as (outlook, reader):
        watch = Watch(outlook, reader)
        names = [p.name for p in outlook.site.props]
        if arguments.prop is not None:
            _known_prop(outlook, arguments.prop)
            names = [arguments.prop]
        streams: list[Watched] = []
        flags: list[Flag] = []
        for name in names:
            of_prop = watch.prop(name)
            streams += of_prop
            flags += watch.flags(name, of_prop)
        if arguments.json:
            limits = watch.limits
            _print_json(
                {
                    "limits": {
                        "cusum": limits.decision,
                        "ewma": limits.limit,
                        "values_to_a_false_signal": limits.run_length,
                    },
                    "flags": [saying.flag_object(flag) for flag in flags],
                    "streams": [saying.stream_object(one) for one in streams],
                }
            )
            return 0
        for flag in flags:
            _print_flag(outlook, flag)
        if not flags:
            print(f"nothing is getting worse, by {len(streams)} series of travel times")
        shown = streams if arguments.all else [s for s in streams if s.stream.flagged_at]
        if shown:
            print()
            _print_streams(shown)
        print(
            f"\nlimits: at most one false flag for the site in ten nights; a healthy series of "
            f"times signals once in {watch.limits.run_length:,.0f} cycles"
        )
    return 0


def _part(arguments: argparse.Namespace) -> int:
    with looking(meant(arguments)) as (outlook, reader):
        fitting, _ = find(outlook.fittings, arguments.part)
        part = outlook.part(fitting)
        raw = [
            row
            for row in reader.service(fitting.prop, fitting.name)
            if row.motion == fitting.motion
        ]
        streams = []
        if fitting.motion:
            streams = Watch(outlook, reader).prop(fitting.prop, [fitting.motion])
        if arguments.json:
            page = saying.part_object(outlook, part, raw)
            page["travel"] = [saying.stream_object(one) for one in streams]
            _print_json(page)
            return 0
        for line in saying.part_lines(outlook, part, raw):
            print(line)
        if streams:
            print("\ntravel times since the last work on this motion")
            _print_streams(streams[:_MOST_STREAMS])
    return 0


def _calendar(arguments: argparse.Namespace) -> int:
    from console.upkeep.calendar import calendar_of

    with looking(meant(arguments)) as (outlook, _):
        written = calendar_of(outlook, outlook.due())
    if arguments.output is None:
        sys.stdout.buffer.write(written)
        return 0
    try:
        arguments.output.write_bytes(written)
    except OSError as error:
        raise UserError(
            f"{arguments.output} cannot be written: {error.strerror}", "Name another file with -o."
        ) from None
    print(f"{arguments.output}: {written.count(b'BEGIN:VEVENT')} entries")
    return 0


LOOKS: dict[str, Callable[[argparse.Namespace], int]] = {
    "due": _due,
    "forecast": _forecast,
    "spares": _spares,
    "drift": _drift,
    "part": _part,
    "calendar": _calendar,
}


def _of_prop(outlook: Outlook, found: list[Due], prop: str | None) -> list[Due]:
    if prop is None:
        return found
    _known_prop(outlook, prop)
    return [due for due in found if due.fitting.prop == prop]


def _known_prop(outlook: Outlook, name: str) -> None:
    from difflib import get_close_matches

    names = [prop.name for prop in outlook.site.props]
    if name not in names:
        near = get_close_matches(name, names, n=1)
        raise UserError(
            f"the site file has no prop {name}",
            f"Did you mean {near[0]}?" if near else f"It has {', '.join(names[:12])}.",
        )


def _ahead_words(outlook: Outlook) -> str:
    ahead = outlook.ahead
    if not ahead:
        return f"{outlook.site.name}: no night ahead in the calendar of the site file\n"
    return (
        f"{outlook.site.name}: next night {ahead[0].date:%a} {ahead[0].date}, "
        f"{len(ahead)} ahead in the calendar\n"
    )


def _print_flag(outlook: Outlook, flag: Flag) -> None:
    since = ""
    if flag.since_wall_ns is not None:
        since = f", since {outlook.history.day_of(flag.since_wall_ns)}"
        if flag.cycles_ago is not None:
            since += f" ({flag.cycles_ago} cycles ago)"
    print(
        f"{flag.sign.value}: {'/'.join(filter(None, (flag.prop, flag.motion)))}: {flag.text}{since}"
    )
    print(f"  {flag.cause}")


def _print_streams(streams: list[Watched]) -> None:
    print_table(
        ("motion", "sequence", "", "cycles", "baseline", "now", "slower", ""),
        [
            (
                f"{one.prop}/{one.motion}",
                one.sequence,
                one.direction,
                str(one.stream.count),
                _ms(one.stream.baseline_ms),
                _ms(one.stream.average_ms),
                f"{one.stream.slower:+.1%}",
                "SLOW" if one.stream.flagged_at else "learning" if one.stream.learning else "",
            )
            for one in streams
        ],
    )


def _ms(value: float | None) -> str:
    return "" if value is None else f"{value:.0f} ms"


def _print_json(value: object) -> None:
    print(json.dumps(value, indent=2))
