"""The `sexton` command: parse, call, print. It holds no logic and imports only what is asked for.

Errors: `UserError` becomes one message and a hint on stderr and exit code 2; anything else is a
bug and keeps its traceback.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from typing import Any, NamedTuple

from console.errors import NoEngine, UserError

EXIT_INTERRUPTED = 130
EXIT_BROKEN_PIPE = 141


class Command(NamedTuple):
    """A command, the module under `console.commands` that defines it, and what it does."""

    name: str
    module: str
    summary: str


COMMANDS: tuple[Command, ...] = (
    Command("demo", "demo", "run an invented site, simulated, with a console"),
    Command("rehearse", "rehearse", "practise on your own site file, with trouble thrown in"),
    Command("run", "run", "run a site: start its engine when needed, open a console"),
    Command("attach", "attach", "open one more console on a running engine"),
    Command("stop", "stop", "all-stop, at once, without asking"),
    Command("engine", "engine", "run a site's engine in the foreground, without a console"),
    Command("status", "status", "say what a running engine sees"),
    Command("why", "why", "say what keeps a prop from being armed or fired"),
    Command("tag", "tag", "hold a prop while you work on it"),
    Command("opening", "opening", "what is left of the opening check, and checking it off"),
    Command("group", "group", "send a group, and see where groups are"),
    Command("check", "check", "find what is wrong with a site file"),
    Command("new", "new", "write a site file to start from"),
    Command("ports", "ports", "list the serial ports of this machine"),
    Command("firmware", "firmware", "write the controller firmware for your board"),
    Command("log", "log", "read the ledger"),
    Command("upkeep", "upkeep", "what wears, what is due, what to bring"),
    Command("report", "report", "what a night or a season came to"),
    Command("backup", "backup", "copy the ledger, also while the engine runs"),
    Command("salvage", "salvage", "save what can be saved of a damaged ledger"),
    Command("calc", "calc", "compute one figure: air, force, valves, coils, life, drift, spares"),
    Command("whatif", "whatif", "see what another cylinder, valve, hose or pressure would do"),
    Command("air", "air", "see the air left, and test for leaks"),
)

_DESCRIPTION = """\
Show-day console for home-built pneumatic props.

The all-stop here is a software function. It is no emergency stop and never replaces a hardwired
one: it needs this computer, its cables and every controller to work. Give guests and crew a
hardwired stop that takes away air and power by itself.\
"""

_EPILOG = """\
exit codes:
  0    done
  1    done, but not all is as asked: a request was refused, a controller did not confirm
  2    the command line or a file is wrong; the message says where and what to do
  3    no engine is running that could be asked
  130  interrupted

examples:
  sexton demo                  look around without any hardware
  sexton check my-site.yaml    before the first night
  sexton run my-site.yaml      run the night
  sexton stop                  stop everything, from any shell

`sexton COMMAND --help` says more about each.\
"""


class _Parser(argparse.ArgumentParser):
    """Keeps the line breaks of descriptions and examples, in every command alike."""

    def __init__(self, **settings: Any) -> None:
        settings.setdefault("formatter_class", argparse.RawDescriptionHelpFormatter)
        settings.setdefault("allow_abbrev", False)
        super().__init__(**settings)


class _Version(argparse.Action):
    """Prints the version. Only then is the slow reader of package metadata imported."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from importlib.metadata import version

        print(f"sexton {version('sexton')}")
        parser.exit()


def build_parser(asked: str | None) -> argparse.ArgumentParser:
    """The parser for a command line that names the command `asked`.

    Only that command's module is imported; the others are listed by their summaries.
    """
    parser = _Parser(prog="sexton", description=_DESCRIPTION, epilog=_EPILOG)
    parser.add_argument("--version", action=_Version, nargs=0, help="show the version and exit")
    subparsers = parser.add_subparsers(
        title="commands", metavar="COMMAND", dest="command", parser_class=_Parser
    )
    for command in COMMANDS:
        if asked is None or asked not in _names():
            subparsers.add_parser(command.name, help=command.summary)
        elif command.name == asked:
            importlib.import_module(f"console.commands.{command.module}").add(subparsers)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code; argparse ends the process by itself."""
    words = list(sys.argv[1:] if argv is None else argv)
    parser = build_parser(next((w for w in words if not w.startswith("-")), None))
    try:
        arguments = parser.parse_args(words)
        if arguments.command is None:
            parser.print_help()
            return 2
        code = int(arguments.run(arguments))
        sys.stdout.flush()
    except UserError as error:
        print(f"sexton: {_plain(error.message)}", file=sys.stderr)
        if error.hint:
            print(_plain(error.hint), file=sys.stderr)
        return 3 if isinstance(error, NoEngine) else 2
    except PermissionError as error:
        print(f"sexton: {_plain(str(error))}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # The reader of stdout has gone; Python would complain once more while it ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_BROKEN_PIPE
    return code


def _names() -> set[str]:
    return {command.name for command in COMMANDS}


def _plain(text: str) -> str:
    """`text` without the control characters that a file's words could bring to a terminal."""
    return "".join(c if c in "\n\t" or c.isprintable() else "\ufffd" for c in text)


if __name__ == "__main__":
    sys.exit(main())
