"""Tags in the running night: asked for, written down, held by the boards, and lifted again.

A tag counts once it is in the ledger; the disarm that comes with it never waits for that. The board
holds the tag too, over power loss, and is brought into line whenever it is heard.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from console.engine.badrequest import BadRequest, text_of
from console.engine.durably import durably, ok_body
from console.engine.recording import Recorder
from console.engine.world import PropNow, World
from console.ledger.entries import EventEntry
from console.ledger.reader import Reader
from console.ledger.rows import Filter
from console.rules import tags as rules
from console.rules.alarms import Kind
from console.rules.tags import BREAK_MS, LONGEST_NAME, Change, TagChange, Tags
from console.site.models import OutputKind
from console.views.models import Asked, LinkState, Refusal
from drivers.messages import Hold, Tag, Untag
from drivers.words import PropFlags

HOLD_MS = 600
"""One press holds the output this long; a held key repeats sooner."""
RELEASE_MS = 1500.0
"""A test break in which nothing was pressed for this long is over."""


@dataclass(slots=True)
class Break:
    """A test break: the tag is off the board, and one output may be held on."""

    owner: str
    output: int
    until_ms: float
    pressed_ms: float | None = None


class Tagging:
    """The tags of one engine."""

    def __init__(self, world: World, recorder: Recorder, disarm: Callable[[PropNow], None]) -> None:
        self._world = world
        self._recorder = recorder
        self._disarm = disarm
        self._breaks: dict[str, Break] = {}

    # --- what is asked ------------------------------------------------------------------------

    def tag(self, client: int, request: int, args: Mapping[str, object]) -> None:
        """Put a person's tag on a prop. It is disarmed at once, whatever the ledger says."""
        prop, by = self._prop(args), _name(args, "by")
        self._disarm(prop)
        self._end_break(prop.name, "tagged")
        salt = f"{self._world.new_id():08x}"
        self._decide(
            client, request, prop,
            rules.put_on(
                self._world.tags, prop.name, by, text_of(args, "reason"), _pin(args, "pin"), salt
            ),
        )  # fmt: skip

    def untag(self, client: int, request: int, args: Mapping[str, object]) -> None:
        """The person named on the tag lifts it."""
        prop = self._prop(args)
        found = rules.lift(self._world.tags, prop.name, _name(args, "by"), _pin(args, "pin"))
        self._decide(client, request, prop, found)

    def hand_over(self, client: int, request: int, args: Mapping[str, object]) -> None:
        """The person named on the tag hands it to somebody else."""
        prop = self._prop(args)
        salt = f"{self._world.new_id():08x}"
        found = rules.hand_over(
            self._world.tags, prop.name, _name(args, "by"), _pin(args, "pin"), _name(args, "to"),
            _pin(args, "new_pin"), salt,
        )  # fmt: skip
        self._decide(client, request, prop, found)

    def lift_absent(self, client: int, request: int, args: Mapping[str, object]) -> None:
        """Two named people lift the tag of somebody who is away."""
        prop = self._prop(args)
        found = rules.lift_absent(
            self._world.tags, prop.name, _name(args, "owner"), _name(args, "by"),
            _name(args, "second"), text_of(args, "note"),
        )  # fmt: skip
        self._decide(client, request, prop, found)

    def begin_break(self, client: int, request: int, args: Mapping[str, object]) -> None:
        """The owner, with everybody out of reach, gets one output to hold on by hand."""
        prop, by = self._prop(args), _name(args, "by")
        held = rules.may_test(self._world.tags, prop.name, by, _pin(args, "pin"))
        if isinstance(held, Refusal):
            raise BadRequest(held.reason, held.remedy)
        if self._world.latch.latched:
            raise BadRequest("an all-stop is latched", "Clear it first.")
        if args.get("people_clear") is not True:
            raise BadRequest(
                "it was not said that everybody is clear",
                "Look, call, and have everybody out of reach of the prop first.",
            )
        name = text_of(args, "output")
        output = next(
            (c for c in prop.prop.channels if c.name == name and c.kind is OutputKind.MOTION), None
        )
        if output is None:
            names = ", ".join(c.name for c in prop.prop.channels if c.kind is OutputKind.MOTION)
            raise BadRequest(f"it has no motion {name[:40]!r}", f"It has {names}.")
        entry = EventEntry(
            "test-break", prop.name, {"output": name}, self._world.now.wall_ns, held.owner
        )

        def done(_: object) -> Mapping[str, object]:
            self._breaks[prop.name] = Break(
                held.owner, output.output, self._world.now.mono_ms + BREAK_MS
            )
            self._ask(prop, Asked.UNTAG, Untag)
            self._world.touch(f"prop/{prop.name}")
            return ok_body(request, {"ends_after_ms": BREAK_MS})

        durably(
            self._world, self._recorder, client, request, entry, done=done, withdraw=lambda _: None
        )

    def hold(self, args: Mapping[str, object]) -> Mapping[str, object]:
        """Hold the output of a test break on for a moment; `on` false ends the break."""
        prop = self._prop(args)
        found = self._breaks.get(prop.name)
        if found is None:
            raise BadRequest("no test break is under way", "Begin one as the owner of the tag.")
        if args.get("on") is False:
            self._end_break(prop.name, "released")
            return {}
        found.pressed_ms = self._world.now.mono_ms
        at = self._world.controller_of(prop)
        at.session.ask((Asked.TEST, prop.name), Hold, found.output, HOLD_MS)
        return {"left_ms": round(found.until_ms - found.pressed_ms)}

    # --- as time passes -----------------------------------------------------------------------

    def tick(self) -> None:
        """End test breaks that are over, and bring boards into line with the tags."""
        world = self._world
        for name, found in list(self._breaks.items()):
            idle = found.pressed_ms is not None and (
                world.now.mono_ms - found.pressed_ms > RELEASE_MS
            )
            if world.latch.latched or idle or world.now.mono_ms >= found.until_ms:
                why = "all-stop" if world.latch.latched else "released" if idle else "time is up"
                self._end_break(name, why)
        for prop in world.props.values():
            self._bring_into_line(prop)

    def breaks(self, prop: str) -> str:
        """Who runs a test break on a prop; empty for nobody."""
        found = self._breaks.get(prop)
        return found.owner if found else ""

    # --- inside -------------------------------------------------------------------------------

    def _decide(self, client: int, request: int, prop: PropNow, found: Change | Refusal) -> None:
        if isinstance(found, Refusal):
            raise BadRequest(found.reason, found.remedy)
        world = self._world
        entry = EventEntry(
            found.kind.value, prop.name, dict(found.detail), world.now.wall_ns, found.owner
        )

        def done(_: object) -> Mapping[str, object]:
            world.tags = world.tags.after(found, entry.wall_ns)
            world.once_tagged.add(prop.name)
            if found.kind is TagChange.LIFTED:
                first, second = found.detail["first"], found.detail["second"]
                world.raise_alarm(
                    Kind.TAG_LIFTED, f"{prop.name}/{found.owner}",
                    f"{found.owner}'s tag on {prop.prop.title} was lifted by {first} and {second}",
                )  # fmt: skip
            self._end_break(prop.name, "the tags changed")
            self._bring_into_line(prop)
            world.touch(f"prop/{prop.name}", "site")
            return ok_body(request, {"tags": list(world.tags.owners(prop.name))})

        durably(world, self._recorder, client, request, entry, done=done, withdraw=lambda _: None)

    def _bring_into_line(self, prop: PropNow) -> None:
        """Have the board hold what the ledger says; a tag that only the board knows stays."""
        world = self._world
        at = world.controller_of(prop)
        if at.link is not LinkState.LIVE or prop.report is None:
            return
        on_board = PropFlags.TAGGED in prop.report.flags
        wanted = bool(world.tags.on(prop.name)) and prop.name not in self._breaks
        if wanted and not on_board and not at.session.asks(Tag, prop.prop.index):
            self._ask(prop, Asked.TAG, Tag)
        lifted = not wanted and prop.name in world.once_tagged
        if lifted and on_board and not at.session.asks(Untag, prop.prop.index):
            self._ask(prop, Asked.UNTAG, Untag)

    def _end_break(self, prop: str, why: str) -> None:
        found = self._breaks.pop(prop, None)
        if found is None:
            return
        world = self._world
        self._recorder.event("test-break-ended", prop, found.owner, why=why)
        at = world.controller_of(world.props[prop])
        if at.heard_of and not world.latch.latched:
            at.session.ask(None, Hold, found.output, 0)
        self._bring_into_line(world.props[prop])
        world.touch(f"prop/{prop}")

    def _ask(self, prop: PropNow, asked: Asked, kind: type[Tag] | type[Untag]) -> None:
        prop.asked = asked
        session = self._world.controller_of(prop).session
        session.ask((asked, prop.name), kind, prop.prop.index)
        self._world.touch(f"prop/{prop.name}")

    def _prop(self, args: Mapping[str, object]) -> PropNow:
        name = text_of(args, "prop")
        prop = self._world.props.get(name)
        if prop is None:
            raise BadRequest(f"there is no prop {name[:40]!r}")
        return prop


def tags_of(reader: Reader) -> tuple[Tags, frozenset[str]]:
    """The tags that the ledger's entries leave, and every prop that ever had one."""
    changes = list(_changes(reader))
    return (
        rules.replayed((change, wall_ns) for _, change, wall_ns in changes),
        frozenset(change.prop for _, change, _ in changes),
    )


def _changes(reader: Reader) -> Iterator[tuple[int, Change, int]]:
    rows = [row for kind in TagChange for row in reader.events(Filter(kind=kind.value))]
    for row in sorted(rows, key=lambda row: row.seq):
        detail = {key: str(value) for key, value in row.detail.items()}
        yield row.seq, Change(TagChange(row.kind), row.subject, row.by, detail), row.wall_ns


def _name(args: Mapping[str, object], name: str) -> str:
    return " ".join(text_of(args, name).split())[:LONGEST_NAME]


def _pin(args: Mapping[str, object], name: str) -> str:
    value = args.get(name)
    return value if isinstance(value, str) else ""
