"""The all-stop latch: every state that can be reached is walked, and the promises hold in each."""

from __future__ import annotations

from console.rules.latch import Hold, Latch, Part, progress_of
from console.views.models import StopProgress

BOARDS = ("gate", "door")
IDS = (1, 2)


def steps(latch: Latch) -> dict[str, Latch]:
    """Everything that can happen to a latch, by name."""
    found = {f"stop {i}": latch.stop(i, f"source {i}", "by", i, BOARDS) for i in IDS}
    for board in BOARDS:
        found[f"confirm {board}"] = latch.confirm(board, 5.0)
        found[f"doubt {board}"] = latch.doubt(board)
        found[f"leave out {board}"] = latch.leave_out(board)
        found[f"let in {board}"] = latch.let_in(board)
    for i in IDS:
        for inputs in ((), ("gate",)):
            begun = latch.begin_clear(i, inputs)
            if isinstance(begun, Latch):
                found[f"begin {i} {inputs}"] = begun
        found[f"finish {i}"] = latch.finish_clear(i)
        found[f"abandon {i}"] = latch.abandon_clear(i)
    return found


def key(latch: Latch) -> object:
    """What tells two latches apart."""
    return (
        latch.hold, latch.id, tuple(sorted(latch.parts.items(), key=str)), latch.cleared,
        latch.kept_out,
    )  # fmt: skip


def test_every_reachable_state_keeps_the_promises(capsys) -> None:
    """Only a finished clear of the latched id frees, and only with everybody confirmed or out."""
    start = Latch()
    seen = {key(start): start}
    front = [start]
    walked = 0
    while front:
        latch = front.pop()
        for name, after in steps(latch).items():
            walked += 1
            if latch.latched and not after.latched:
                assert name == f"finish {latch.id}"
                assert latch.hold is Hold.CLEARING
                assert after.cleared == latch.id
            if latch.hold is Hold.LATCHED and after.latched:
                assert (after.id, after.source) == (latch.id, latch.source)
            if after.hold is Hold.CLEARING and latch.hold is Hold.LATCHED:
                assert all(p.confirmed or p.left_out for p in latch.parts.values())
                assert "('gate',)" not in name
            if after.latched:
                assert after.id in IDS
                assert set(after.parts) == set(BOARDS)
            if key(after) not in seen:
                seen[key(after)] = after
                front.append(after)
    with capsys.disabled():
        print(f"\nall-stop latch: {len(seen)} states, {walked} steps")
    assert len(seen) > 50


def test_a_stop_during_a_clear_makes_a_new_latch() -> None:
    """A clear that is under way cannot lift the stop that came after it."""
    latch = Latch().stop(1, "key F9", "mara", 5, ("gate",)).confirm("gate", 2.0)
    clearing = latch.begin_clear(1, ())
    assert isinstance(clearing, Latch)
    stopped = clearing.stop(2, "shell", "", 6, ("gate",))
    assert stopped.finish_clear(1) is stopped
    assert stopped.id == 2
    assert not stopped.parts["gate"].confirmed


def test_the_first_reason_wins() -> None:
    """Whatever stops again while latched changes nothing."""
    latch = Latch().stop(1, "key F9", "mara", 5, ("gate",))
    assert latch.stop(2, "shell", "", 6, ("gate",)) is latch


def test_refusals_name_everything_at_once() -> None:
    """A clear of the wrong stop, with an open input and a silent board, gives three refusals."""
    latch = Latch().stop(1, "key F9", "mara", 5, BOARDS).confirm("gate", 2.0)
    refused = latch.begin_clear(9, ("gate",))
    assert not isinstance(refused, Latch)
    assert [r.check for r in refused] == ["stop_id", "stop_input_closed", "confirmed"]
    assert "door" in refused[2].reason


def test_progress_turns_from_sent_to_not_confirmed() -> None:
    """Until patience ends a silent controller is merely sent to."""
    assert progress_of(Part(), 100, 1500) is StopProgress.SENT
    assert progress_of(Part(), 1500, 1500) is StopProgress.NOT_CONFIRMED
    assert progress_of(Part(confirmed=True), 1500, 1500) is StopProgress.CONFIRMED
    assert progress_of(Part(left_out=True), 1500, 1500) is StopProgress.LEFT_OUT
