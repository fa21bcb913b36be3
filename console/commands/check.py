"""`sexton check`: find what is wrong with a site file."""

from __future__ import annotations

import argparse
import json
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from console.errors import UserError

if TYPE_CHECKING:
    from console.rules.physics.working import Section
    from console.site.draft import Draft

_EPILOG = """\
examples:
  sexton check my-site.yaml
  sexton check my-site.yaml --json | jq -r '.[].message'
  sexton check my-site.yaml --explain ice-house-door

Every finding has its place, the line with a caret under it, and what to do. Beside its shape the
file is checked against physics: force, swing, stroke time, coil current and voltage, air. Warnings
alone leave the exit code at 0; problems make it 2. With --json: a list of objects with file, line,
column, severity (problem or warning), message, remedy and source, empty where all is well.

--explain shows the working behind a prop's figures instead: formulas, numbers, units, sources; with
--json an object of lists of objects with what, working, result and source.\
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
    parser.add_argument(
        "--explain", metavar="PROP", help="show the working behind a prop's figures"
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print every finding; 2 where a problem is among them, else 0."""
    from console.rules.physics.checks import CHECKS
    from console.site.loading import examine
    from console.site.problems import Severity, plain

    draft, findings = examine(arguments.site, CHECKS)
    wrong = sum(f.severity is Severity.PROBLEM for f in findings)
    if arguments.explain is not None and draft is not None:
        return _explain(arguments, draft, wrong)
    if arguments.json:
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


def _explain(arguments: argparse.Namespace, draft: Draft, wrong: int) -> int:
    from console.rules.physics.working import working
    from console.site.wording import near

    site, name = draft.site, arguments.explain
    try:
        prop = site.prop(name)
    except KeyError:
        names = [p.name for p in site.props]
        raise UserError(
            f"there is no prop called {name!r}", near(name, names, f"known: {', '.join(names)}")
        ) from None
    sections = working(site, prop)
    if arguments.json:
        listed = {s.title: [line.as_dict() for line in s.lines] for s in sections}
        print(json.dumps(listed, indent=2))
    else:
        print(f"{prop.name}, {prop.title}")
        for section in sections:
            print(f"\n{section.title}\n{_shown(section)}")
        if wrong:
            print(f"\n{_count(wrong, 'problem')} in the file: run sexton check without --explain.")
    return 2 if wrong else 0


def _shown(section: Section) -> str:
    wide = max(len(line.what) for line in section.lines)
    pad = " " * (wide + 4)
    rows = []
    for line in section.lines:
        said = f"{line.working}  =  {line.result}" + (f"   ({line.source})" if line.source else "")
        rows += textwrap.wrap(
            said, 98, initial_indent=f"  {line.what:<{wide}}  ", subsequent_indent=pad
        )
    return "\n".join(rows)


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
