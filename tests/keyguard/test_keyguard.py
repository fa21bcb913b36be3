"""The key guard on a real terminal, over a real program in its inner terminal."""

from __future__ import annotations

import os
import signal
import sys
import termios
import time
from typing import Any

import pytest

PROMPT_S = 0.1
"""Far above what a stop takes (see the stop benchmark), far below what a blocked one would."""


def _modes_back(desk: Any) -> bool:
    return bool(termios.tcgetattr(desk.slave) == desk.modes)


def test_every_byte_reaches_the_console_unchanged(desk: Any) -> None:
    """Text, keys, pastes and incomplete sequences pass at once, stop keys among them."""
    desk.until(b" end")
    sent = b"\x00\x03\x11\x13\x1a\x1c\r\n\x7f\x80\xffz\x1b[20~\x1b[200~\x1b[201~\x1b[<0;3;4M\x1b[2"
    desk.type(sent)
    desk.until(sent[-4:].hex().encode())
    heard = b"".join(part.split()[0] for part in desk.seen.split(b"heard ")[1:])
    assert bytes.fromhex(heard.decode()) == sent


def test_what_the_console_shows_is_shown_unchanged(desk: Any) -> None:
    """No line ends are doubled or lost on the way out, and a resize passes in."""
    desk.until(b"size 24 80\r\nsettings 0 pid ")
    desk.resize(60, 200)
    desk.until(b"size 60 200\r\n")


@pytest.mark.parametrize(
    ("keys", "source"),
    [
        (b"\x1b[20~", "key F9"),
        (b"\x18", "key Ctrl+X"),
        (b"\x1b[120;69u", "key Ctrl+X"),
        (b"\x1b[<0;1;24M", "click"),
    ],
)
def test_a_stop_goes_out_at_once(desk: Any, keys: bytes, source: str) -> None:
    """A key or click reaches the stop socket promptly and says where it came from."""
    desk.start_engine("confirm")
    desk.until(b" end")
    pressed = desk.type(keys)
    [stop] = desk.until_stops(1)
    assert (stop["source"], bool(stop["by"])) == (source, True)
    assert stop["at"] - pressed < PROMPT_S
    desk.look(0.4)
    assert b"ALL-STOP" not in desk.seen.upper()


@pytest.mark.parametrize(
    "keys", [b"\x1b[<0;1;23M", b"\x1b[<0;60;24M", b"\x1b[<0;1;24m", b"x" * 999]
)
def test_clicks_elsewhere_and_text_stop_nothing(desk: Any, keys: bytes) -> None:
    """Only the labelled part of the bottom row stops, and no printable key ever does."""
    desk.start_engine("confirm")
    desk.until(b" end")
    desk.type(keys)
    desk.until(keys[-1:].hex().encode() + b" end")
    assert desk.stops() == []


def test_the_label_follows_the_size(desk: Any) -> None:
    """After a resize a click on the new bottom row stops, one on the old row does not."""
    desk.start_engine("confirm")
    desk.resize(15, 60)
    desk.until(b"size 15 60")
    desk.type(b"\x1b[<0;1;24M")
    desk.type(b"\x1b[<0;2;15M")
    desk.until(b"heard")
    [stop] = desk.until_stops(1)
    assert stop["source"] == "click"


def test_a_frozen_console_delays_no_stop(desk: Any) -> None:
    """With the console stopped and its terminal full of typed text, a stop goes out as promptly."""
    desk.start_engine("confirm")
    os.kill(desk.console_pid(), signal.SIGSTOP)
    for _ in range(60):
        desk.type(b"y" * 2000)
        time.sleep(0.002)
    pressed = desk.type(b"\x1b[20~")
    [stop] = desk.until_stops(1)
    assert stop["at"] - pressed < PROMPT_S


def test_a_stalled_terminal_delays_no_stop(desk: Any) -> None:
    """With a console that floods a terminal nobody reads, a stop goes out as promptly."""
    desk.start_engine("confirm")
    desk.until(b" end")
    desk.type(b"f")
    time.sleep(0.5)
    pressed = desk.type(b"\x1b[20~")
    [stop] = desk.until_stops(1)
    assert stop["at"] - pressed < PROMPT_S


def test_a_silent_engine_is_told_on_the_bar(desk: Any) -> None:
    """When no word came within a quarter second, the guard itself says so on the bottom row."""
    desk.start_engine("silent")
    desk.until(b" end")
    pressed = desk.type(b"\x18")
    desk.until(b"ENGINE SILENT")
    assert 0.25 <= time.monotonic() - pressed < 1.0
    assert b"\x1b7\x1b[24;1H" in desk.seen


def test_an_unconfirmed_controller_is_told_by_name(desk: Any) -> None:
    """The bar's row names whom the stop waits for, and in the end whose air to close."""
    desk.start_engine("partial")
    desk.until(b" end")
    desk.type(b"\x1b[20~")
    desk.until(b"not yet confirmed by ice")
    desk.until(b"NOT CONFIRMED by ice: close the air by hand")


def test_a_note_cuts_no_sequence_in_two(desk: Any) -> None:
    """A console that stopped inside a sequence gets a moment to end it before the note comes."""
    desk.start_engine("silent")
    desk.until(b" end")
    desk.type(b"s")
    desk.until(b"\x1b[38;5")
    desk.type(b"\x18")
    desk.until(b"heard 18")  # what the program says next, and with it no open sequence
    desk.until(b"ENGINE SILENT")
    assert b"\x1b[38;5\x1b7" not in desk.seen


def test_a_stop_waits_for_an_engine_that_is_not_there(desk: Any) -> None:
    """Pressed while no engine runs, it is said on the bar, and sent to the next one that starts."""
    desk.until(b" end")
    desk.type(b"\x1b[20~")
    desk.until(b"ENGINE SILENT")
    desk.start_engine("confirm")
    desk.until_stops(1)
    desk.until(b"all-stop confirmed by all 2 controllers")


def test_a_new_engine_is_found_again(desk: Any) -> None:
    """After the engine died and another took its place, stops reach the new one."""
    desk.start_engine("confirm")
    desk.until(b" end")
    desk.type(b"\x18")
    desk.until_stops(1)
    desk.end_engine()
    desk.socket.unlink()
    desk.start_engine("confirm")
    pressed = desk.type(b"\x18")
    stops = desk.until_stops(2)
    assert stops[-1]["at"] - pressed < PROMPT_S


def test_exit_codes_pass_through(desk: Any) -> None:
    """A console that means to end ends the guard with its own code, and the terminal is back."""
    desk.until(b" end")
    desk.type(b"e")
    assert desk.code() == 3
    assert _modes_back(desk)


def test_a_dead_console_starts_again(desk: Any) -> None:
    """A killed console is started again, the screen left and stop keys alive in between."""
    desk.start_engine("confirm")
    first = desk.console_pid()
    desk.type(b"a")
    desk.until(b"\x1b[?25l")
    desk.type(b"k")
    desk.until(b"The console ended (signal 9). It starts again.")
    desk.type(b"\x18")
    desk.until_stops(1)
    assert b"\x1b[?1049l" in desk.seen
    desk.wait(lambda: desk.look() or desk.console_pid() != first)
    desk.type(b"q")
    assert desk.code() == 0
    assert _modes_back(desk)


def test_a_console_that_keeps_dying_is_given_up(desk: Any) -> None:
    """After the fourth death within a minute the guard ends, saying so by its code."""
    for deaths in range(1, 5):
        desk.wait(lambda n=deaths: desk.look() or desk.seen.count(b"settings") == n)
        desk.type(b"c")
    assert desk.code() == 1
    assert desk.seen.count(b"RuntimeError: on purpose\r\n") == 4
    assert _modes_back(desk)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_ends_both_and_gives_the_terminal_back(desk: Any, number: int) -> None:
    """Told to end, the guard ends the console, leaves its screen and restores the modes."""
    console = desk.console_pid()
    desk.type(b"a")
    desk.until(b"\x1b[?25l")
    desk.guard.send_signal(number)
    assert desk.code() == 128 + number
    assert desk.seen.endswith(b"\x1b[?25h\x1b[<u\x1b[?1049l")
    assert _modes_back(desk)
    desk.wait(lambda: not os.path.exists(f"/proc/{console}"))


def test_a_frozen_console_cannot_keep_the_guard(desk: Any) -> None:
    """Told to end while the console is frozen, the guard ends all the same."""
    console = desk.console_pid()
    os.kill(console, signal.SIGSTOP)
    desk.guard.send_signal(signal.SIGTERM)
    assert desk.code() == 128 + signal.SIGTERM
    desk.wait(lambda: not os.path.exists(f"/proc/{console}"))


def test_suspend_is_ignored(desk: Any) -> None:
    """Neither the suspend key nor its signal stops the guard."""
    desk.start_engine("confirm")
    desk.until(b" end")
    desk.guard.send_signal(signal.SIGTSTP)
    desk.type(b"\x1a\x18")
    desk.until_stops(1)
    assert desk.guard.poll() is None


def test_a_guard_that_was_stopped_takes_the_terminal_again(desk: Any) -> None:
    """After SIGSTOP and SIGCONT, the terminal is raw again whatever the shell made of it."""
    desk.until(b" end")
    raw = termios.tcgetattr(desk.slave)
    desk.guard.send_signal(signal.SIGSTOP)
    termios.tcsetattr(desk.slave, termios.TCSANOW, desk.modes)
    desk.guard.send_signal(signal.SIGCONT)
    desk.wait(lambda: termios.tcgetattr(desk.slave) == raw)


def test_a_lost_terminal_ends_the_console(desk: Any) -> None:
    """When the terminal is gone, as with its SSH connection, guard and console end."""
    console = desk.console_pid()
    os.close(desk.outer)
    os.close(desk.slave)
    desk.wait(lambda: desk.guard.poll() is not None)
    desk.outer, desk.slave = os.openpty()
    desk.wait(lambda: not os.path.exists(f"/proc/{console}"))
    assert desk.guard.returncode == 128 + signal.SIGHUP


def test_a_program_that_is_not_there_is_said(tmp_path: Any, desk: Any) -> None:
    """A console that cannot be run is no reason to try again."""
    other = type(desk)(tmp_path, "/no/such/program")
    try:
        assert other.code() == 2
        assert b"/no/such/program: No such file or directory" in other.seen
    finally:
        other.close()


def test_a_guard_whose_parent_was_killed_gives_the_terminal_back(tmp_path: Any, desk: Any) -> None:
    """`sexton run` may be killed; its guard does not stay on the shell's terminal then."""
    start = "import subprocess, sys; print('run', flush=True); subprocess.call(sys.argv[1:])"
    shell = ("sh", "-c", '"$@"; echo back; sleep 60', "sh", sys.executable, "-c", start)
    other = type(desk)(tmp_path, before=shell)
    try:
        other.until(b" end")
        [run] = _children(other.guard.pid)
        [guard] = _children(run)
        os.kill(run, signal.SIGKILL)
        other.until(b"back")
        desk.wait(lambda: other.look() or not os.path.exists(f"/proc/{guard}"))
        assert _modes_back(other)
    finally:
        other.close()


def _children(pid: int) -> list[int]:
    with open(f"/proc/{pid}/task/{pid}/children") as children:
        return [int(child) for child in children.read().split()]
