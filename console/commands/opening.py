"""`sexton opening`: what is left of the opening check, and checking it off from any shell."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterable, Mapping
from typing import Any


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define `sexton opening` and what belongs to it."""
    parser = subparsers.add_parser(
        "opening",
        help="what is left of the opening check, and checking it off",
        description=(
            "Say what is left of tonight's opening check, in walking order. Stops, links and "
            "travel times are judged by themselves; the rest is said by somebody of the shift."
        ),
        epilog=(
            "exit codes: 0 said or done, 1 refused, 2 the command line is wrong, "
            "3 no engine is running\n\n"
            "examples:\n"
            "  sexton opening\n"
            "  sexton opening sign-in --by Bo\n"
            '  sexton opening done gauge --prop ice-house-door --by Bo --reading "61 psi"\n'
            "  sexton opening done chore-1 --by Bo\n"
            "  sexton opening again ice-house-door --by Bo"
        ),
    )
    _common(parser)
    parser.set_defaults(run=show)
    whats = parser.add_subparsers(title="what to do", metavar="WHAT")
    done = _asks(whats, "done", "say by name that an item holds", "check")
    done.add_argument("item", metavar="ITEM", help="such as tested, gauge, chore-1")
    done.add_argument("--prop", metavar="PROP", help="the prop it belongs to; none for the site")
    done.add_argument("--reading", metavar="TEXT", help="what the gauge says, such as 61 psi")
    undo = _asks(whats, "undo", "take back what somebody said", "uncheck")
    undo.add_argument("item", metavar="ITEM")
    undo.add_argument("--prop", metavar="PROP")
    again = _asks(whats, "again", "begin a prop's items anew; it is disarmed", "recheck")
    again.add_argument("prop", metavar="PROP")
    _asks(whats, "sign-in", "join the shift", "sign_in")


def _asks(
    whats: argparse._SubParsersAction[argparse.ArgumentParser], name: str, words: str, action: str
) -> argparse.ArgumentParser:
    each = whats.add_parser(name, help=words, description=f"{words[0].upper()}{words[1:]}.")
    each.add_argument("--by", required=True, metavar="NAME", help="who says so")
    _common(each)
    each.set_defaults(run=run, action=action)
    return each


def _common(parser: argparse.ArgumentParser) -> None:
    # A default would be laid over what stood before the word: `sexton opening --json done ...`.
    absent = argparse.SUPPRESS
    parser.add_argument(
        "--site", metavar="SITE", default=absent, help="a site file, or its engine's folder name"
    )
    parser.add_argument("--json", action="store_true", default=absent, help="print one JSON object")


def run(arguments: argparse.Namespace) -> int:
    """Ask the engine for one thing."""
    from console.commands.asking import ask, refusal_lines

    args: dict[str, object] = {
        name: value
        for name in ("item", "prop", "by", "reading")
        if (value := getattr(arguments, name, None)) is not None
    }
    reply = ask(getattr(arguments, "site", None), arguments.action, args)
    if getattr(arguments, "json", False):
        print(json.dumps({"ok": reply.ok, **reply.result}))
    elif reply.ok:
        print(_said(reply.result))
    for line in refusal_lines(reply):
        print(f"sexton: {line}", file=sys.stderr)
    return 0 if reply.ok else 1


def _said(result: Mapping[str, Any]) -> str:
    if "shift" in result:
        return f"signed in: {', '.join(result['shift'])}"
    return f"done, {result['left']} left" if result.get("left") else "done, nothing left"


def show(arguments: argparse.Namespace) -> int:
    """Print what the engine knows of the opening check."""
    from console.commands.asking import reach
    from console.launch import find_engine
    from console.rules.text import plain
    from console.views.client import raw_snapshot

    entities = reach(find_engine(getattr(arguments, "site", None)), raw_snapshot)
    opening = entities["opening"]
    if getattr(arguments, "json", False):
        print(json.dumps(opening, indent=2))
        return 0
    for line in lines(opening, night=entities["site"]["night"] is not None):
        print(plain(line, 400))
    return 0


def lines(opening: Mapping[str, Any], *, night: bool) -> Iterable[str]:
    """What is left, a line each, under how much that is."""
    if not night:
        yield "no night is open: the check belongs to one"
        return
    what = "closing up" if opening["closing"] else "opening check"
    yield f"{what}: {opening['done']} of {opening['of']} done"
    if opening["required"] and opening["unchecked"]:
        yield f"closed until checked: {', '.join(opening['unchecked'])}"
    for item in opening["items"]:
        if not item["done"]:
            offered = "" if item["needed"] else ", offered only"
            said = f": {item['said']}" if item["said"] else ""
            name = f"{item['subject']} {item['item']}"
            yield f"  {name:<34} {item['title']} ({item['how']}{offered}){said}"
    if opening["closing"] and opening["done"] == opening["of"]:
        yield "all done: close the night, then `sexton report` says what it came to"
