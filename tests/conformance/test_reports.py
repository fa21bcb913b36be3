"""What a board says on its own account, on a line of its own."""

from __future__ import annotations

import itertools

from drivers.messages import (
    Arm,
    BoardReport,
    Boot,
    CycleRecord,
    EventRecord,
    Fire,
    Lamp,
    PropReport,
    Seen,
)
from drivers.words import EventKind, State
from tests.boards import BoardProcess, Console, Wire
from tests.conformance.stage import BASIC, EVERY, LONG, armed, prepare, upload_setup


def times(console: Console, kind: type, since: int) -> list[float]:
    """When the reports of this kind came."""
    return [h.at for h in console.wire.heard[since:] if isinstance(h.message, kind)]


def test_without_a_session_a_board_is_quiet(board: BoardProcess, wire: Wire) -> None:
    """Nothing but BOOT comes unasked before a session is open."""
    board.bench.reset()
    board.bench.set(0, 0)
    heard = wire.quiet(0.8)
    assert [type(h.message) for h in heard] == [Boot]


def test_reports_come_at_the_set_rate(console: Console) -> None:
    """STATE and PROP each report_ms, with the session and the boot they belong to."""
    upload_setup(console, report=100)
    console.rest(0.2)
    mark = len(console.wire.heard)
    console.rest(1.0)
    for kind in (BoardReport, PropReport):
        assert 7 <= len(times(console, kind, mark)) <= 12
    report = console.board_report()
    assert (report.session, report.boot) == (console.session, console.boot)


def test_before_there_is_a_setup_it_is_each_half_second(console: Console) -> None:
    """A fresh board reports STATE twice a second, and no prop."""
    console.rest(0.2)
    mark = len(console.wire.heard)
    console.rest(1.6)
    gaps = [b - a for a, b in itertools.pairwise(times(console, BoardReport, mark))]
    assert gaps
    assert all(0.4 < gap < 0.7 for gap in gaps), gaps
    assert not times(console, PropReport, 0)


def test_changes_are_told_at_once(console: Console) -> None:
    """With slow reports a change of state and outputs still comes within milliseconds."""
    prepare(console, BASIC, LONG)
    upload_setup(console, report=60000)
    console.rest(0.2)
    mark = len(console.wire.heard)
    console.yes(Arm, 1, EVERY)
    console.wait(PropReport, lambda r: r.state is State.ARMED, 0.3, mark)
    console.yes(Fire, 1)
    console.wait(PropReport, lambda r: r.state is State.RUNNING, 0.3, mark)
    console.wait(BoardReport, lambda r: r.outputs == 0b01, 0.3, mark)
    console.wire.stop_byte()
    console.wait(BoardReport, lambda r: r.stop and not r.outputs, 0.3, mark)
    console.wait(PropReport, lambda r: r.state is State.STOPPED, 0.3, mark)


def test_only_props_of_the_setup_are_reported(console: Console) -> None:
    """A board with room for more speaks of those that are there."""
    prepare(console)
    console.rest(0.5)
    assert {m.prop for m in console.heard() if isinstance(m, PropReport)} == {1}


def test_elapsed_counts_from_the_change_of_state(console: Console) -> None:
    """PROP's elapsed_ms is the time in the state."""
    armed(console)
    console.rest(0.5)
    reports = [m for m in console.heard() if isinstance(m, PropReport) and m.state is State.ARMED]
    assert reports[0].elapsed_ms < 50
    assert 300 <= reports[-1].elapsed_ms <= 800


def test_an_event_is_repeated_until_seen(board: BoardProcess, console: Console) -> None:
    """Each half second the same number, oldest first and one at a time, until SEEN."""
    board.bench.set(0, 0)
    first = console.wait(EventRecord, since=0)
    mark = len(console.wire.heard)
    console.rest(1.3)
    again = [m for m in console.heard(mark) if isinstance(m, EventRecord)]
    assert set(again) == {first}
    assert len(again) >= 2
    console.yes(Seen, first.number + 50)
    console.yes(Seen, first.number)
    second = console.wait(EventRecord, lambda r: r.number != first.number, 0.4, mark)
    assert second.number == first.number + 1
    assert {first.kind, second.kind} == {EventKind.STOP_INPUT, EventKind.STOPPED}
    console.yes(Seen, second.number)
    mark = len(console.wire.heard)
    console.rest(0.7)
    assert not [m for m in console.heard(mark) if isinstance(m, EventRecord)]


def test_events_are_numbered_from_one_in_each_boot(board: BoardProcess, console: Console) -> None:
    """A reset begins anew, under the new boot id."""
    console.wire.stop_byte()
    event = console.wait(EventRecord, since=0)
    assert (event.number, event.boot) == (1, console.boot)
    board.bench.reset()
    console.wire.quiet(0.15)
    mark = len(console.wire.heard)
    console.open(0x6666)
    console.wire.stop_byte()
    event = console.wait(EventRecord, since=mark)
    assert (event.number, event.boot) == (1, console.boot)


def test_an_event_carries_the_boards_clock(console: Console) -> None:
    """Its ms lies between the clocks asked for before and after."""
    before = console.board_report().ms
    console.wire.stop_byte()
    event = console.wait(EventRecord, since=0)
    after = console.board_report().ms
    assert before <= event.ms <= after


def test_cycle_and_event_wait_beside_each_other(board: BoardProcess, console: Console) -> None:
    """One of each may be outstanding: an unseen event holds up no record."""
    armed(console, BASIC, LONG)
    console.yes(Fire, 1)
    board.bench.outputs(0b01)
    console.wire.stop_byte()
    console.wait(EventRecord, since=0)
    console.wait(CycleRecord, since=0)


def test_a_new_session_hears_unseen_events(console: Console) -> None:
    """What nobody has seen is told to whoever comes next."""
    console.wire.stop_byte()
    event = console.wait(EventRecord, since=0)
    mark = len(console.wire.heard)
    console.open(0x6666)
    assert console.wait(EventRecord, since=mark, seconds=0.4) == event


def test_asking_does_not_make_it_chatter(console: Console) -> None:
    """Requests that change nothing bring no reports beside their answers."""
    upload_setup(console, report=60000)
    console.rest(0.3)
    mark = len(console.wire.heard)
    for _ in range(30):
        console.yes(Lamp, 0)
    assert len(console.heard(mark)) == 30
