"""Alarms fold, end, are acknowledged, and become a flood within the limits of ISA-18.2."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from console.rules.alarms import TABLE, Alarms, Kind


def test_a_repeat_folds_into_the_standing_alarm() -> None:
    """The same thing again raises a count, not a second alarm."""
    alarms = Alarms()
    assert alarms.raise_(Kind.LATE, "lid", "late", 0, 1)
    assert alarms.raise_(Kind.LATE, "lid", "late", 10, 2)
    (alarm,) = alarms.standing()
    assert alarm.count == 2


def test_a_condition_that_stands_is_one_alarm_however_often_it_is_said() -> None:
    """A state that is reported every half second is raised once."""
    alarms = Alarms()
    assert alarms.raise_(Kind.STOP_INPUT, "door", "open", 0, 1)
    assert not alarms.raise_(Kind.STOP_INPUT, "door", "open", 500, 2)
    assert alarms.standing()[0].count == 1
    assert alarms.end(Kind.STOP_INPUT, "door")
    assert not alarms.standing()


def test_what_was_a_moment_stays_until_somebody_saw_it() -> None:
    """A reset is over at once, so its alarm waits for an acknowledgement."""
    alarms = Alarms()
    alarms.raise_(Kind.RESET, "gate", "was reset", 0, 1)
    key = alarms.standing()[0].id
    assert alarms.acknowledge(key)
    assert not alarms.standing()
    assert not alarms.acknowledge(key)


def test_a_standing_condition_stays_when_acknowledged() -> None:
    """Seen is not mended: the alarm is marked and goes with its cause."""
    alarms = Alarms()
    alarms.raise_(Kind.LOST, "gate", "gone", 0, 1)
    assert alarms.acknowledge("all")
    assert alarms.standing()[0].acknowledged
    alarms.end(Kind.LOST, "gate")
    assert not alarms.standing()


def test_a_flood_begins_above_ten_in_ten_minutes_and_ends_below_five() -> None:
    """Limits of ISA-18.2 (as listed in the project's checks): begins above 10, ends below 5."""
    alarms = Alarms()
    for n in range(10):
        alarms.raise_(Kind.LATE, f"prop-{n}", "late", n * 1000.0, n)
    flood = "alarm-flood/site"
    assert alarms.get(flood) is None
    alarms.raise_(Kind.LOST, "gate", "gone", 10_000.0, 10)
    text = alarms.get(flood)
    assert text is not None
    assert text.text == "11 alarms in 10 minutes: 10 motion late, 1 controller lost"
    alarms.tick(600_000.0 + 5500.0, 11)  # six have left the window, five are in it
    assert alarms.get(flood) is not None
    alarms.tick(600_000.0 + 6500.0, 12)
    assert alarms.get(flood) is None


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["raise", "end", "ack", "ack all"]),
            st.sampled_from([k for k in Kind if k is not Kind.FLOOD]),
            st.sampled_from(["a", "b"]),
        ),
        max_size=40,
    )
)
def test_no_order_of_things_loses_an_unseen_alarm(orders) -> None:
    """What must be seen stands until acknowledged; what is a condition stands until it ends."""
    alarms = Alarms()
    wanted: set[tuple[Kind, str]] = set()
    for at, (what, kind, subject) in enumerate(orders):
        key = f"{kind.value.replace(' ', '-')}/{subject}"
        if what == "raise":
            alarms.raise_(kind, subject, "text", float(at), at)
            wanted.add((kind, subject))
        elif what == "end":
            alarms.end(kind, subject)
            if not TABLE[kind].seen_first:
                wanted.discard((kind, subject))
        else:
            alarms.acknowledge("all" if what == "ack all" else key)
            gone = wanted if what == "ack all" else {(kind, subject)}
            wanted = {w for w in wanted if w not in gone or not TABLE[w[0]].seen_first}
        standing = {a.id for a in alarms.standing() if a.kind != Kind.FLOOD}
        assert standing == {f"{k.value.replace(' ', '-')}/{s}" for k, s in wanted}
