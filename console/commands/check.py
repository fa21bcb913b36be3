"""`sexton check`: find what is wrong with a site file."""

from __future__ import annotations

import argparse
from pathlib import Path

_EPILOG = """\
examples:
  sexton check my-site.yaml
  sexton check my-site.yaml --json | jq -r '.[].message'

Every finding has its place, the line with a caret under it, and what to do. Warnings alone leave
the exit code at 0; problems make it 2. With --json: a list of objects with file, line, column,
severity (problem or warning), message, remedy and source, empty where all is well.\
"""


def add(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Define the command."""
    parser = subparsers.add_parser(
        "check",
        help="find what is wrong with a site file",
        description="Find everything that is wrong with a site file, at once.",
        epilog=_EPILOG,
    )
    parser.add_argument("site", type=Path, metavar="SITE.yaml", help="the site file")
    parser.add_argument("--json", action="store_true", help="print the findings as JSON")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print every finding; 2 where a problem is among them, else 0."""
    from console.site.loading import examine
    from console.site.problems import Severity, plain

    draft, findings = examine(arguments.site)
    wrong = sum(f.severity is Severity.PROBLEM for f in findings)
    if arguments.json:
        import json

        print(json.dumps([f.as_dict() for f in findings], indent=2))
        return 2 if wrong else 0
    for finding in findings:
        print(finding.text(), end="\n\n" if draft else "\n")
    if draft is not None:
        warned = len(findings) - wrong
        site = draft.site
        print(
            f"{plain(str(arguments.site))}: "
            + (_count(wrong, "problem") if wrong else "no problem")
            + (f", {_count(warned, 'warning')}" if warned else "")
            + f" ({_count(len(site.props), 'prop')}, {_count(len(site.zones), 'zone')}, "
            f"{_count(len(site.controllers), 'controller')})"
        )
    return 2 if wrong else 0


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
