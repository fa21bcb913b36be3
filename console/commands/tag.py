"""`sexton tag`: hold a prop while you work on it, from any shell."""

from __future__ import annotations

import argparse
import json
import sys

_LOCKOUT = """\
A tag replaces no lock. In this order (29 CFR 1910.147(d)): prepare, shut down, isolate the air,
lock and tag the valve, vent what is stored and keep it vented, verify, then work.\
"""


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define `sexton tag` and what belongs to it."""
    parser = subparsers.add_parser(
        "tag",
        help="hold a prop while you work on it",
        description=f"Put a named tag on a prop, lift it, or hand it over.\n\n{_LOCKOUT}",
        epilog=(
            "exit codes: 0 done, 1 refused, 2 the command line is wrong, 3 no engine is running\n\n"
            "examples:\n"
            '  sexton tag on ice-house-door --by Ada --reason "new hinge"\n'
            "  sexton tag lift ice-house-door --by Ada\n"
            "  sexton tag hand-over ice-house-door --by Ada --to Bo\n"
            "  sexton tag lift-absent ice-house-door --owner Ada --by Bo --second Cy "
            '--note "phoned, nobody inside"'
        ),
    )
    whats = parser.add_subparsers(title="what to do", metavar="WHAT", required=True)
    for name, action, words, needs in (
        ("on", "tag", "put your tag on a prop", ("by", "reason")),
        ("lift", "untag", "lift your tag", ("by",)),
        ("hand-over", "hand_over_tag", "hand your tag to somebody", ("by", "to")),
        (
            "lift-absent",
            "lift_tag",
            "lift the tag of somebody who is away",
            ("owner", "by", "second", "note"),
        ),
    ):
        each = whats.add_parser(name, help=words, description=f"{words[0].upper()}{words[1:]}.")
        each.add_argument("prop", metavar="PROP", help="its name in the site file")
        for need in needs:
            each.add_argument(f"--{need}", required=True, metavar="TEXT")
        if name != "lift-absent":
            each.add_argument("--pin", metavar="PIN", help="guards the tag beside the name")
        each.add_argument("--site", metavar="SITE", help="a site file, or its engine's folder name")
        each.add_argument("--json", action="store_true", help="print one JSON object")
        each.set_defaults(run=run, action=action, needs=needs)


def run(arguments: argparse.Namespace) -> int:
    """Ask, and say whose tags are on the prop now."""
    from console.commands.asking import ask, refusal_lines

    args: dict[str, object] = {n: getattr(arguments, n) for n in arguments.needs}
    args["prop"] = arguments.prop
    if getattr(arguments, "pin", None):
        args["pin"] = arguments.pin
    reply = ask(arguments.site, arguments.action, args)
    if arguments.json:
        print(json.dumps({"ok": reply.ok, **reply.result}))
    elif reply.ok:
        owners = reply.result.get("tags", [])
        held = ", ".join(map(str, owners)) if isinstance(owners, list) else ""
        print(f"{arguments.prop}: {f'tagged by {held}' if held else 'no tag is on it'}")
        if arguments.action == "tag":
            print(_LOCKOUT)
    for line in refusal_lines(reply):
        print(f"sexton: {line}", file=sys.stderr)
    return 0 if reply.ok else 1
