"""`sexton why`: everything that keeps a prop from being armed, fired or tested, and the remedy."""

from __future__ import annotations

import argparse
import json


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define `sexton why`."""
    parser = subparsers.add_parser(
        "why",
        help="say what keeps a prop from being armed or fired",
        description="Say everything that keeps a prop from being armed, fired or tested now, and "
        "what to do about it.",
        epilog=(
            "exit codes: 0 nothing keeps it from being armed, 1 something does, "
            "3 no engine is running\n\n"
            "example:\n  sexton why ice-house-door"
        ),
    )
    parser.add_argument("prop", metavar="PROP", help="its name in the site file")
    parser.add_argument("--site", metavar="SITE", help="a site file, or its engine's folder name")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Ask and print."""
    from console.commands.asking import ask, refusal_lines
    from console.views.client import refusals_of

    reply = ask(arguments.site, "why", {"prop": arguments.prop})
    if not reply.ok:
        for line in refusal_lines(reply):
            print(line)
        return 1
    if arguments.json:
        print(json.dumps(dict(reply.result), indent=2))
    for action, body in () if arguments.json else reply.result.items():
        found = refusals_of(body)
        print(f"{action}: {'nothing in the way' if not found else ''}".rstrip())
        for each in found:
            may = " (may be overridden)" if each.may_override else ""
            print(f"  {each.reason}{may}\n    → {each.remedy}")
    return 1 if refusals_of(reply.result.get("arm")) else 0
