"""`sexton group`: say who goes in, and where everybody is."""

from __future__ import annotations

import argparse
import json
from typing import Any


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define `sexton group` and what belongs to it."""
    parser = subparsers.add_parser(
        "group",
        help="send a group, and see where groups are",
        description="Send groups into the walk, and see where they are.",
        epilog=(
            "exit codes: 0 done, 1 refused, 2 the command line is wrong, 3 no engine is running\n\n"
            "examples:\n"
            "  sexton group send --strength mild\n"
            "  sexton group send --strength standard --size 6 --without strobe --json\n"
            "  sexton group again\n"
            "  sexton group list"
        ),
    )
    whats = parser.add_subparsers(title="what to do", metavar="WHAT", required=True)
    send = whats.add_parser("send", help="send a group in", description="Send a group in.")
    send.add_argument(
        "--strength", required=True, metavar="STRENGTH", help="quiet, mild, standard or strong"
    )
    send.add_argument("--size", type=int, metavar="N", help="how many guests")
    send.add_argument("--note", default="", metavar="TEXT", help="what the crew should know")
    send.add_argument(
        "--without", action="append", default=[], metavar="WORD",
        help="what they are spared, such as strobe, loud or fog; may stand several times",
    )  # fmt: skip
    again = whats.add_parser(
        "again", help="send another group like the last", description="Send another such group."
    )
    for each in (send, again):
        each.add_argument("--by", default="", metavar="NAME", help="who sends it")
    listed = whats.add_parser(
        "list", help="where each group is", description="Say where each group is."
    )
    for each, run in ((send, run_send), (again, run_again), (listed, run_list)):
        each.add_argument("--site", metavar="SITE", help="a site file, or its engine's folder name")
        each.add_argument("--json", action="store_true", help="print one JSON object")
        each.set_defaults(run=run)


def run_send(arguments: argparse.Namespace) -> int:
    """Send a group as described."""
    from console.errors import UserError
    from console.rules.groups.group import LARGEST_SIZE
    from console.site.kinds import Strength

    known = [s.value for s in Strength]
    if arguments.strength not in known:
        raise UserError(
            f"there is no strength {arguments.strength!r}", f"Known are {', '.join(known)}."
        )
    if arguments.size is not None and not 1 <= arguments.size <= LARGEST_SIZE:
        raise UserError(
            f"{arguments.size} is no size of a group", f"Give a number from 1 to {LARGEST_SIZE}."
        )
    args: dict[str, object] = {
        "strength": arguments.strength, "note": arguments.note, "exclude": arguments.without,
        "by": arguments.by,
    }  # fmt: skip
    if arguments.size is not None:
        args["size"] = arguments.size
    return _send(arguments, "send_group", args)


def run_again(arguments: argparse.Namespace) -> int:
    """Send a group like the last one."""
    return _send(arguments, "repeat_group", {"by": arguments.by})


def run_list(arguments: argparse.Namespace) -> int:
    """Where everybody is, and how soon the next group may go."""
    from console.commands.asking import reach
    from console.launch import find_engine
    from console.rules.text import plain
    from console.views.client import snapshot
    from console.views.codec import to_json
    from console.views.models import GroupView, HeadwayView, ZoneView

    entities = reach(find_engine(arguments.site), snapshot)
    groups = sorted(
        (e for e in entities.values() if isinstance(e, GroupView)), key=lambda g: g.number
    )
    headway = entities.get("headway")
    if arguments.json:
        body = {
            "groups": [to_json(g) for g in groups],
            "headway": to_json(headway) if headway is not None else None,
        }
        print(json.dumps(body, indent=2))
        return 0
    titles = {e.name: e.title for e in entities.values() if isinstance(e, ZoneView)}
    for group in groups:
        spared = f", without {', '.join(group.exclude)}" if group.exclude else ""
        said = (
            f"group {group.number:<4} {group.strength:<9} {group.size:>2} guests  "
            f"{titles.get(group.zone, group.zone)}, {group.sure_percent} % sure{spared}"
        )
        print(plain(f"{said}  {group.note}".rstrip(), 200))
    if not groups:
        print("nobody is in the walk")
    if isinstance(headway, HeadwayView):
        print(plain(_soon(headway), 200))
    return 0


def _send(arguments: argparse.Namespace, action: str, args: dict[str, object]) -> int:
    import sys

    from console.commands.asking import ask
    from console.rules.text import plain

    reply = ask(arguments.site, action, args)
    refused = [r for several in reply.refused.values() for r in several]
    if arguments.json:
        said: dict[str, object] = {"ok": reply.ok, **reply.result}
        if refused:
            said["refused"] = [{"reason": r.reason, "remedy": r.remedy} for r in refused]
        print(json.dumps(said))
    elif reply.ok:
        result = reply.result
        early = f", {result['early_s']} s early" if "early_s" in result else ""
        words = f"group {result['group']} ({result['strength']}) is on its way{early}"
        print(plain(words, 200))
    for each in () if arguments.json else refused:
        print(plain(f"sexton: {each.reason}. {each.remedy}", 400), file=sys.stderr)
    return 0 if reply.ok else 1


def _soon(headway: Any) -> str:
    import time

    left_s = (headway.ready_wall_ns - time.time_ns()) / 1e9
    if not headway.reason or left_s <= 0:
        return "the next group may go"
    return f"the next group may go in {left_s:.0f} s: {headway.reason}"
