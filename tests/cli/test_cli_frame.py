"""The frame of the command line: help, exit codes, errors, and what is not imported."""

from __future__ import annotations

import subprocess
import sys

import pytest

from console.cli import COMMANDS, main
from console.errors import UserError

NAMES = [command.name for command in COMMANDS]


def _sexton(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-P", "-m", "console.cli", *words],
        capture_output=True,
        text=True,
        timeout=60,
    )


@pytest.mark.parametrize("name", NAMES)
def test_every_command_has_help_with_an_example(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each command's help ends with an example that begins with its own name."""
    with pytest.raises(SystemExit) as ended:
        main([name, "--help"])
    shown = capsys.readouterr().out
    assert ended.value.code == 0
    assert f"  sexton {name}" in shown.rpartition("xample")[2]


def test_help_lists_all_and_says_what_the_all_stop_is_not() -> None:
    """The first help names every command and the limits of a stop in software."""
    shown = _sexton("--help")
    assert shown.returncode == 0
    assert all(f"\n    {command.name} " in shown.stdout for command in COMMANDS)
    assert "no emergency stop and never replaces a hardwired" in shown.stdout
    assert "exit codes:" in shown.stdout


@pytest.mark.parametrize("words", [["--help"], ["stop"]])
def test_nothing_heavy_is_imported(words: list[str]) -> None:
    """Neither the list of commands nor a stop loads a screen, a site reader or a database."""
    probe = (
        "import contextlib, sys\n"
        "from console.cli import main\n"
        f"with contextlib.suppress(SystemExit): main({words!r})\n"
        "heavy = {'textual', 'rich', 'pydantic', 'yaml', 'pint', 'serial', 'sqlite3', 'asyncio'}\n"
        "sys.exit(', '.join(sorted(heavy & set(sys.modules))) or 0)\n"
    )
    tried = subprocess.run([sys.executable, "-P", "-c", probe], capture_output=True, text=True)
    assert tried.returncode == 0, tried.stderr


def test_the_version_is_that_of_the_package() -> None:
    """`--version` prints name and number."""
    shown = _sexton("--version")
    assert (shown.returncode, shown.stdout.split()[0]) == (0, "sexton")


@pytest.mark.parametrize("words", [["no-such-command"], ["--no-such-option"], ["stop", "--hurry"]])
def test_wrong_words_end_with_2(words: list[str]) -> None:
    """What is not understood is said on stderr, without a traceback."""
    tried = _sexton(*words)
    assert tried.returncode == 2
    assert "error: " in tried.stderr
    assert "Traceback" not in tried.stderr


def test_no_words_at_all_show_the_help() -> None:
    """Somebody who only types the name gets the list of commands, and a script an error."""
    tried = _sexton()
    assert tried.returncode == 2
    assert "commands:" in tried.stdout


def test_an_error_for_the_user_is_message_and_hint(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a user can put right comes without a traceback, and its text cannot act on a screen."""

    def fail(_: object) -> int:
        raise UserError("site.yaml:3:5: no\x1b[2J such", "write it\nlike that")

    monkeypatch.setattr("console.commands.stop.run", fail)
    assert main(["stop"]) == 2
    shown = capsys.readouterr()
    assert shown.err == "sexton: site.yaml:3:5: no\ufffd[2J such\nwrite it\nlike that\n"


def test_an_interrupt_is_quiet(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl+C ends a command with the shell's code for it."""

    def interrupt(_: object) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr("console.commands.stop.run", interrupt)
    assert main(["stop"]) == 130


def test_a_reader_that_has_gone_is_no_error() -> None:
    """A pipe into a program that reads no more ends without a complaint."""
    writer = subprocess.Popen(
        [
            *(sys.executable, "-P", "-c"),
            "import sys, time\n"
            "import console.commands.stop as stop\n"
            "from console.cli import main\n"
            "def run(_):\n"
            "    sys.stdin.read()\n"
            "    print('x' * 100000)\n"
            "    return 0\n"
            "stop.run = run\n"
            "sys.exit(main(['stop']))\n",
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    assert writer.stdout is not None
    writer.stdout.close()
    _, complaint = writer.communicate()
    assert (writer.returncode, complaint) == (141, b"")
