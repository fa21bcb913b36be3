"""The pool of steps that all sequences share: whatever the order of uploads, each plays its own."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.messages import SetSequence, SetSteps
from drivers.messages import Test as RunTest
from drivers.words import SequenceKind
from tests.conformance.stage import TWO, Stored, prepare, upload_sequence
from tests.firmware.rig import Rig

POOL = 160
"""Steps of the small part."""


def _stored(number: int, steps: int, prop: int = 1) -> Stored:
    """Steps at times that only this number and this count have."""
    outputs = (1, 2) if prop == 1 else (3, 3)
    words = [f"{n * 5 + number}:{outputs[n % 4 // 2]}{'-' if n % 2 else '+'}" for n in range(steps)]
    return Stored(number, steps * 5 + 50, tuple(words), prop)


def _begin(rig: Rig, stored: Stored) -> str:
    answer = rig.ask(
        SetSequence, stored.number, stored.prop, SequenceKind.CYCLE, stored.length,
        len(stored.steps), stored.checksum,
    )  # fmt: skip
    return getattr(answer, "reason", "granted")


def _played(rig: Rig, stored: Stored) -> None:
    """A test of this sequence switches at exactly its times."""
    rig.changes()
    rig.yes(RunTest, stored.prop, stored.number)
    rig.run(stored.length + 300)
    switched, on = [], 0
    for step in stored.steps:
        ms, rest = step.split(":")
        bit = 1 << (int(rest[:-1]) - 1)
        after = on | bit if rest[-1] == "+" else on & ~bit
        if after != on:
            switched.append((int(ms), after))
        on = after
    changes = rig.changes()
    if on:
        switched.append((stored.length, 0))
    first = changes[0].at_us - switched[0][0] * 1000
    assert [((c.at_us - first) // 1000, c.outputs) for c in changes] == switched


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(1, 4), st.integers(1, 90), st.integers(0, 90)),
        min_size=1,
        max_size=8,
    )
)
def test_any_order_of_uploads(uploads: list[tuple[int, int, int]]) -> None:
    """Of any lengths, replaced, left half sent: what fits is held, and plays its own steps."""
    rig = Rig(small=True)
    rig.open()
    rig.acknowledging = True
    prepare(rig, TWO, heartbeat=60000)
    steps, whole = {1: 4}, {}
    for number, count, sent in uploads:
        stored = _stored(number, count)
        steps.pop(number, None)
        whole.pop(number, None)
        fits = sum(steps.values()) + count <= POOL
        assert _begin(rig, stored) == ("granted" if fits else "full")
        if not fits:
            continue
        steps[number] = count
        for first in range(0, min(sent, count), 4):
            rig.yes(SetSteps, number, first, stored.steps[first : min(first + 4, count)])
        if sent >= count or -(-sent // 4) * 4 >= count:
            whole[number] = stored
    for number in range(1, 5):
        checksum = whole[number].checksum if number in whole else 0
        if number in whole or number in {n for n, _, _ in uploads}:
            assert rig.hello().checksums[number - 1] == checksum
    for stored in whole.values():
        _played(rig, stored)


@pytest.mark.parametrize("replaced", [1, 3])
def test_a_sequence_goes_on_while_those_beside_it_move(replaced: int) -> None:
    """Prop 2 plays on, step by step, while a sequence before or behind its own is replaced."""
    rig = Rig(small=True)
    rig.open()
    rig.acknowledging = True
    mine = _stored(2, 40, prop=2)
    prepare(rig, TWO, _stored(1, 20), mine, _stored(3, 20), heartbeat=60000)
    rig.yes(RunTest, 2, 2)
    rig.run(20)
    upload_sequence(rig, _stored(replaced, 60))
    rig.run(10)
    upload_sequence(rig, _stored(replaced, 3))
    rig.run(400)
    times = [change.at_us for change in rig.changes()]
    assert [b - a for a, b in pairwise(times)] == [5000] * 39
