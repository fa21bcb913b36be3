"""Tags: named people's holds on props while they work on them.

A tag is a note to colleagues and keeps a prop from being armed; it replaces no lock on the air. The
tags are what the ledger's entries say, taken in order: every change is an entry first, so whoever
reads the entries again has the same tags. The rules follow 29 CFR 1910.147: only the person who
applied a tag removes it (e)(3), an absent person's tag is lifted by others under a procedure, and a
test puts the people out of reach and the tag back afterwards (f)(1).
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from console.views.models import Refusal

BREAK_MS = 60_000
"""A test break ends by itself after this long."""
LONGEST_NAME = 60


class TagChange(StrEnum):
    """What can happen to a tag: the kinds of the ledger's entries."""

    TAG = "tag"  # somebody holds a prop
    UNTAG = "untag"  # the same person lifts it
    HANDED = "tag-handed-over"  # it is somebody else's now
    LIFTED = "tag-lifted-absent"  # two others lifted it while its owner was away


@dataclass(frozen=True, slots=True)
class Tag:
    """One person's hold on one prop. `seal` is empty, or guards it by a PIN."""

    prop: str
    owner: str
    reason: str
    since_wall_ns: int
    seal: str = ""


@dataclass(frozen=True, slots=True)
class Change:
    """One entry of the ledger about a tag, before or after it is written."""

    kind: TagChange
    prop: str
    owner: str
    detail: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Tags:
    """Every tag there is, in the order in which they were put on."""

    all: tuple[Tag, ...] = ()

    def on(self, prop: str) -> tuple[Tag, ...]:
        """The tags on one prop."""
        return tuple(tag for tag in self.all if tag.prop == prop)

    def owners(self, prop: str) -> tuple[str, ...]:
        """Whose tags are on a prop."""
        return tuple(tag.owner for tag in self.on(prop))

    def of(self, prop: str, owner: str) -> Tag | None:
        """This person's tag on this prop."""
        return next((tag for tag in self.on(prop) if _same(tag.owner, owner)), None)

    def after(self, change: Change, wall_ns: int) -> Tags:
        """The tags once this change is durable."""
        held = self.of(change.prop, change.owner)
        if change.kind is TagChange.TAG:
            tag = Tag(
                change.prop, change.owner, change.detail.get("reason", ""), wall_ns,
                change.detail.get("seal", ""),
            )  # fmt: skip
            return Tags((*(t for t in self.all if t is not held), tag))
        if held is None:
            return self
        if change.kind is TagChange.HANDED:
            new = replace(
                held, owner=change.detail["to"], since_wall_ns=wall_ns,
                seal=change.detail.get("seal", ""),
            )  # fmt: skip
            return Tags(tuple(new if tag is held else tag for tag in self.all))
        return Tags(tuple(tag for tag in self.all if tag is not held))


def replayed(entries: Iterable[tuple[Change, int]]) -> Tags:
    """The tags that these changes leave, each with its wall clock in ns."""
    tags = Tags()
    for change, wall_ns in entries:
        tags = tags.after(change, wall_ns)
    return tags


# --- what may be asked -----------------------------------------------------------------------


def put_on(tags: Tags, prop: str, owner: str, reason: str, pin: str, salt: str) -> Change | Refusal:
    """A person tags a prop; several people can."""
    if tags.of(prop, owner) is not None:
        return Refusal("tag", f"{owner} has a tag on it already", "One tag a person is enough.")
    return Change(
        TagChange.TAG, prop, owner, {"reason": reason, "seal": _sealed(pin, salt) if pin else ""}
    )


def lift(tags: Tags, prop: str, owner: str, pin: str) -> Change | Refusal:
    """The person whose tag it is lifts it."""
    tag = _held(tags, prop, owner, pin)
    return tag if isinstance(tag, Refusal) else Change(TagChange.UNTAG, prop, tag.owner)


def hand_over(
    tags: Tags, prop: str, owner: str, pin: str, to: str, new_pin: str, salt: str
) -> Change | Refusal:
    """The owner hands the tag to somebody who takes over the work."""
    tag = _held(tags, prop, owner, pin)
    if isinstance(tag, Refusal):
        return tag
    if tags.of(prop, to) is not None:
        return Refusal("tag", f"{to} has a tag on it already", "Lift yours instead.")
    seal = _sealed(new_pin, salt) if new_pin else ""
    return Change(TagChange.HANDED, prop, tag.owner, {"to": to, "seal": seal})


def lift_absent(
    tags: Tags, prop: str, owner: str, first: str, second: str, note: str
) -> Change | Refusal:
    """Two named people lift the tag of somebody who is away, and say how they know."""
    tag = tags.of(prop, owner)
    if tag is None:
        return _none(tags, prop, owner)
    if _same(first, second) or _same(first, owner) or _same(second, owner):
        return Refusal(
            "tag",
            "two different people must confirm that the owner is away",
            "Both look for the owner, call, and look inside the prop first.",
        )
    if not note:
        return Refusal(
            "tag",
            "it must be said how you know that the owner is away",
            "Say whom you asked and that nobody is inside.",
        )
    return Change(
        TagChange.LIFTED, prop, tag.owner, {"first": first, "second": second, "note": note}
    )


def may_test(tags: Tags, prop: str, owner: str, pin: str) -> Tag | Refusal:
    """Whether this person may run a test break: the only tag on the prop must be theirs."""
    tag = _held(tags, prop, owner, pin)
    if isinstance(tag, Refusal):
        return tag
    others = [name for name in tags.owners(prop) if not _same(name, owner)]
    if others:
        return Refusal(
            "tag",
            f"{', '.join(others)} also tagged it",
            "Everybody who tagged it must be out of reach and lift their tag first.",
        )
    return tag


def _held(tags: Tags, prop: str, owner: str, pin: str) -> Tag | Refusal:
    tag = tags.of(prop, owner)
    if tag is None:
        return _none(tags, prop, owner)
    if tag.seal:
        salt = tag.seal.partition(":")[0]
        if not hmac.compare_digest(tag.seal, _sealed(pin, salt)):
            return Refusal("tag", f"this is not the PIN of {tag.owner}'s tag", "Ask its owner.")
    return tag


def _none(tags: Tags, prop: str, owner: str) -> Refusal:
    owners = ", ".join(tags.owners(prop))
    if not owners:
        return Refusal("tag", "nobody tagged it", "There is nothing to lift.")
    return Refusal(
        "tag",
        f"{owner} has no tag on it; it is tagged by {owners}",
        "Only the person named on a tag lifts it, or hands it over.",
    )


def _same(one: str, other: str) -> bool:
    return " ".join(one.split()).casefold() == " ".join(other.split()).casefold()


def _sealed(pin: str, salt: str) -> str:
    digest = hashlib.pbkdf2_hmac("sha256", pin.encode(), salt.encode(), 20_000).hex()
    return f"{salt}:{digest[:32]}"
