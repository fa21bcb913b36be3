"""Tags: who may put on, lift, hand over, and what the ledger's entries leave."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.rules import tags as rules
from console.rules.tags import Change, TagChange, Tags
from console.views.models import Refusal

PROP = "ice-house-door"


def tagged(*owners: str, pin: str = "") -> Tags:
    """A prop with a tag of each of these people."""
    found = Tags()
    for owner in owners:
        change = rules.put_on(found, PROP, owner, "new hinge", pin, "s")
        assert isinstance(change, Change)
        found = found.after(change, 1)
    return found


def test_only_its_owner_lifts_a_tag() -> None:
    """29 CFR 1910.147(e)(3): only the person who applied a lock removes it."""
    held = tagged("Ada")
    refused = rules.lift(held, PROP, "Bo", "")
    assert isinstance(refused, Refusal)
    assert "Ada" in refused.reason
    change = rules.lift(held, PROP, " ada ", "")
    assert isinstance(change, Change)
    assert held.after(change, 2).on(PROP) == ()


def test_the_last_of_several_lifts_it() -> None:
    """Several people can tag one prop; it stays tagged until the last has gone."""
    held = tagged("Ada", "Bo")
    change = rules.lift(held, PROP, "Ada", "")
    assert isinstance(change, Change)
    held = held.after(change, 2)
    assert held.owners(PROP) == ("Bo",)


@pytest.mark.parametrize(("pin", "may"), [("4711", True), ("4712", False), ("", False)])
def test_a_pin_guards_a_tag(pin: str, may: bool) -> None:
    """With a PIN, the name alone does not lift a tag; the PIN itself is nowhere kept."""
    held = tagged("Ada", pin="4711")
    assert isinstance(rules.lift(held, PROP, "Ada", pin), Change) is may
    assert "4711" not in repr(held)


def test_handover_is_explicit() -> None:
    """After a handover the new owner lifts the tag and the old one does not."""
    held = tagged("Ada", pin="1")
    change = rules.hand_over(held, PROP, "Ada", "1", "Bo", "", "s")
    assert isinstance(change, Change)
    held = held.after(change, 5)
    assert held.owners(PROP) == ("Bo",)
    assert isinstance(rules.lift(held, PROP, "Ada", "1"), Refusal)
    assert isinstance(rules.lift(held, PROP, "Bo", ""), Change)


@pytest.mark.parametrize(
    ("first", "second", "note", "may"),
    [
        ("Bo", "Cy", "phoned, looked inside", True),
        ("Bo", "bo", "phoned", False),
        ("Bo", "Ada", "phoned", False),
        ("Bo", "Cy", "", False),
    ],
)
def test_an_absent_owners_tag_needs_two(first: str, second: str, note: str, may: bool) -> None:
    """Two other people lift an absent owner's tag, and say how they know."""
    held = tagged("Ada")
    found = rules.lift_absent(held, PROP, "Ada", first, second, note)
    assert isinstance(found, Change) is may


def test_a_test_break_is_for_a_single_tag() -> None:
    """29 CFR 1910.147(f)(1): nobody may be in reach, so nobody else's tag may be on it."""
    assert not isinstance(rules.may_test(tagged("Ada"), PROP, "Ada", ""), Refusal)
    assert isinstance(rules.may_test(tagged("Ada", "Bo"), PROP, "Ada", ""), Refusal)


def _asked(tags: Tags, kind: TagChange, prop: str, one: str, other: str) -> Change | Refusal:
    match kind:
        case TagChange.TAG:
            return rules.put_on(tags, prop, one, "r", "", "s")
        case TagChange.UNTAG:
            return rules.lift(tags, prop, one, "")
        case TagChange.HANDED:
            return rules.hand_over(tags, prop, one, "", other, "", "s")
        case TagChange.LIFTED:
            return rules.lift_absent(tags, prop, one, other, "Di", "away")


@given(
    st.lists(
        st.tuples(
            st.sampled_from(list(TagChange)),
            st.sampled_from(["door", "saw"]),
            st.sampled_from(["Ada", "Bo", "Cy"]),
            st.sampled_from(["Ada", "Bo", "Cy"]),
        ),
        max_size=40,
    )
)
def test_entries_read_again_leave_the_same_tags(
    wanted: list[tuple[TagChange, str, str, str]],
) -> None:
    """Whatever is asked in whatever order, reading the entries again gives the same tags, and
    nobody has two on one prop."""
    tags = Tags()
    written: list[tuple[Change, int]] = []
    for at, (kind, prop, one, other) in enumerate(wanted):
        change = _asked(tags, kind, prop, one, other)
        if isinstance(change, Change):
            tags = tags.after(change, at)
            written.append((change, at))
    assert rules.replayed(written) == tags
    for prop in ("door", "saw"):
        owners = tags.owners(prop)
        assert len(owners) == len(set(owners))
