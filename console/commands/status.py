"""`sexton status`: what a running engine sees, once."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from typing import Any


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define `sexton status`."""
    parser = subparsers.add_parser(
        "status",
        help="say what a running engine sees",
        description="Say what a running engine sees: the all-stop, alarms, controllers and props.",
        epilog=(
            "exit codes: 0 said, 2 several engines are running, 3 no engine is running\n\n"
            "examples:\n"
            "  sexton status\n"
            "  sexton status my-site.yaml --json | jq '.prop'"
        ),
    )
    parser.add_argument(
        "site", nargs="?", metavar="SITE", help="a site file, or the name of its engine's folder"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Ask the engine and print what it says."""
    from console.commands.asking import reach
    from console.launch import find_engine
    from console.rules.text import plain
    from console.views.client import raw_snapshot

    entities = reach(find_engine(arguments.site), raw_snapshot)
    if arguments.json:
        print(json.dumps(by_kind(entities), indent=2))
        return 0
    for line in lines(entities):
        print(plain(line, 400))
    return 0


def by_kind(entities: Mapping[str, Any]) -> dict[str, Any]:
    """The entities as one object: `site` and `stop` themselves, the others by name."""
    found: dict[str, Any] = {"zone": {}, "controller": {}, "prop": {}, "alarm": {}}
    for key, body in entities.items():
        kind, _, name = key.partition("/")
        if name:
            found.setdefault(kind, {})[name] = body
        else:
            found[kind] = body
    return found


def lines(entities: Mapping[str, Any]) -> list[str]:
    """What a person at a shell wants to know, a line each."""
    all_of = by_kind(entities)
    site, stop = all_of["site"], all_of["stop"]
    night = f"night {site['night']}" if site["night"] is not None else "no night open"
    said = [f"{site['name']}: {night}, {site['consoles']} consoles"]
    if site["ledger_trouble"]:
        said.append(f"LEDGER: {site['ledger_trouble']}")
    if stop["latched"]:
        said.append(f"ALL-STOP latched by {stop['source']} {stop['by']}".rstrip())
        said += [
            f"  {part['progress']:<14} {part['controller']} ({part['where']})"
            for part in stop["confirmations"]
        ]
    said += [
        f"{alarm['priority'].upper()}: {alarm['text']}. {alarm['remedy']}"
        for alarm in all_of["alarm"].values()
    ]
    said += [
        f"controller {c['name']:<16} {c['link']:<10} {c['quality']:.0%} {c['message']}".rstrip()
        for c in all_of["controller"].values()
    ]
    for prop in sorted(all_of["prop"].values(), key=lambda p: p["order"]):
        flags = f" [{', '.join(prop['flags'])}]" if prop["flags"] else ""
        tags = f" tagged by {', '.join(prop['tags'])}" if prop["tags"] else ""
        state = prop["asked"] or prop["state"]
        said.append(
            f"prop {prop['name']:<20} {state:<10} {prop['sequence']:<16} "
            f"{prop['cycles_tonight']} tonight, {prop['cycles_life']} for life{flags}{tags}"
        )
    return said
