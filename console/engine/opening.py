"""The opening check in the running night, opening up and closing up.

What is judged by itself is written down as soon as it holds, what people say once they have said
it: either counts when it is in the ledger, and a later engine goes on from there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from console.engine.air import Air
from console.engine.badrequest import BadRequest, text_of
from console.engine.durably import Body, durably, ok_body
from console.engine.groups import Groups
from console.engine.openingbook import CHECK, CLOSE_UP, OPEN_UP, SIGN_IN, UNDONE
from console.engine.openingfacts import Facts
from console.engine.openingup import OpeningUp
from console.engine.recording import Recorder
from console.engine.world import PropNow, World
from console.ledger.entries import EventEntry
from console.rules import opening as rules
from console.rules.airtest import EVENT_KIND as LEAK_TEST
from console.rules.opening import SITE, How, Item, Kept, Key, Result
from console.rules.openingjudge import Seen, Verdict, accepted, judge
from console.views.models import CheckView, OpeningView

LONGEST_NAME = 60
_JUDGED = (How.ITSELF, How.EITHER)


class OpeningCheck:
    """The opening check of one engine."""

    def __init__(self, world: World, recorder: Recorder, air: Air, groups: Groups) -> None:
        self._world = world
        self._recorder = recorder
        self._groups = groups
        self._disarm: Callable[[PropNow], None] = lambda _: None
        self.up = OpeningUp(world, air)
        self._facts = Facts(world, world.memory.opening.leak_test_ns)
        self._verdicts: dict[Key, Verdict] = {}
        self._shown: object = None
        self._take_up(world.memory.opening)

    def acts_with(self, arm: Callable[[PropNow], None], disarm: Callable[[PropNow], None]) -> None:
        """How a prop is armed and disarmed."""
        self._disarm = disarm
        self.up.arms_with(arm)

    # --- what is heard ------------------------------------------------------------------------

    def stop_asked(self, source: str) -> None:
        """Somebody stopped everything; `source` says with what."""
        if self._world.night is not None and source.startswith("key "):
            self._facts.stop_key = source

    def board_said(self, controller: str) -> None:
        """A board reported; its hardwired stop may be open for a moment only."""
        if self._world.controllers[controller].stop_input_open and self._world.night is not None:
            self._facts.pressed.add(controller)

    def joins(self, name: str) -> None:
        """Somebody takes the desk over, and is signed in by that."""
        if self._world.night is not None and self._known(name) is None:
            self._shift.append(name)

    def leaves_out(self, prop: str) -> None:
        """A prop was disarmed: opening up does not arm it any more."""
        self.up.leaves_out(prop)

    def tick(self) -> None:
        """Judge what is open, arm what is waiting, and say what changed."""
        world = self._world
        self._follow_night()
        if world.site.opening.leak_test_days is not None:
            tests = [at for at, kind, _ in self._recorder.recent if kind == LEAK_TEST]
            self._facts.leak_test_ns = max(self._facts.leak_test_ns, *tests, 0)
        if world.night is not None:
            self._judge()
        self.up.tick()
        shown = (self._verdicts, self.up.waiting, len(self._shift))
        if shown != self._shown:
            self._shown = shown
            world.touch("opening")

    # --- what is asked ------------------------------------------------------------------------

    def check(self, client: int, request: int, args: Mapping[str, object]) -> None:
        """A named person of the shift says that an item holds."""
        item, by = self._item(args), self._by(args)
        try:
            said = accepted(
                self._world.site, item, self._seen([item]), str(args.get("reading") or "")
            )
        except ValueError as error:
            reason, _, remedy = str(error).partition("\n")
            raise BadRequest(reason, remedy) from None
        entry = self._entry(item, said, by)
        token = self._writing[item.key] = object()

        def done(_: object) -> Body:
            if self._writing.get(item.key) is token:
                self._done(item.key, Result(by, entry.wall_ns, said))
            following = self._next()
            return ok_body(request, {"left": len(self._left()), "next": list(following)})

        def withdraw(_: str) -> None:
            if self._writing.get(item.key) is token:
                del self._writing[item.key]

        durably(self._world, self._recorder, client, request, entry, done=done, withdraw=withdraw)

    def uncheck(self, client: int, request: int, args: Mapping[str, object]) -> None:
        """Take back what a person said."""
        item, by = self._item(args), self._by(args)
        found = self._results.get(item.key)
        if found is None or not found.by:
            raise BadRequest("nobody has said this tonight", "There is nothing to take back.")
        self._undo(client, request, item.subject, [item.id], by, anew=False)

    def recheck(self, client: int, request: int, args: Mapping[str, object]) -> None:
        """Begin one prop's items anew. It is disarmed; its controller's stop was tested already."""
        by, name = self._by(args), text_of(args, "prop")
        prop = self._world.props.get(name)
        if prop is None:
            raise BadRequest(f"there is no prop {name[:40]!r}")
        self._disarm(prop)
        self._facts.begin_prop(name)
        self._rechecked[name] = self._world.now.wall_ns
        ids = [item.id for item in self._opening if item.subject == name]
        self._undo(client, request, name, ids, by, anew=True)

    def sign_in(self, client: int, request: int, args: Mapping[str, object]) -> Body:
        """Somebody joins the shift."""
        self._needs_night()
        name = _name(args)
        if self._known(name) is None:
            self._shift.append(name)
            self._recorder.event(SIGN_IN, SITE, name)
        return {"shift": list(self._shift)}

    def open_up(self, client: int, request: int, args: Mapping[str, object]) -> Body:
        """Arm what should be armed, as the air allows."""
        by = self._by(args)
        if self._world.paused is not None:
            raise BadRequest("the night is paused", "Resume it first.")
        result = self.up.begin()
        self._close(False)
        self._recorder.event(OPEN_UP, SITE, by, arming=result["done"])
        return result

    def close_up(self, client: int, request: int, args: Mapping[str, object]) -> Body:
        """The last guest is out: disarm everything, and say what is left to do."""
        by = self._by(args)
        within = sorted(self._groups.within)
        if within and args.get("anyway") is not True:
            raise BadRequest(
                f"{len(within)} groups are in the walk still",
                "Wait until the last is out, or say where they are (j); then close up.",
            )
        for prop in self._world.props.values():
            self._disarm(prop)
        self._recorder.event(CLOSE_UP, SITE, by, groups=within)
        self._close(True)
        return {"left": [item.title for item in self._left()]}

    # --- what is shown ------------------------------------------------------------------------

    def view(self) -> OpeningView:
        """Key `opening`."""
        needed = [item for item in self._items if item.needed]
        remaining = self._left()
        unchecked = self._unchecked
        return OpeningView(
            required=self._world.site.opening.required,
            closing=self._closing,
            items=tuple(self._row(item) for item in self._items),
            done=len(needed) - len(remaining),
            of=len(needed),
            next=self._next(),
            unchecked=tuple(name for name in self._world.props if name in unchecked),
            shift=tuple(self._shift),
            arming=self.up.waiting,
        )

    def _row(self, item: Item) -> CheckView:
        found = self._results.get(item.key)
        known = self._verdicts.get(item.key)
        return CheckView(
            item.subject, item.id, item.part, item.title, item.how.value, item.todo, item.needed,
            done=found is not None,
            by=found.by if found else "",
            at_wall_ns=found.wall_ns if found else 0,
            reading=found.reading if found else "",
            said=known.said if known and not found else "",
            ready=item.how is not How.ITSELF and not found and (known is None or known.ready),
        )  # fmt: skip

    # --- inside -------------------------------------------------------------------------------

    def _follow_night(self) -> None:
        """Another night begins with nothing checked."""
        night = self._world.night
        if (night.night_id if night else None) != self._night:
            self._facts.begin()
            self._take_up(Kept(shift=(night.by,) if night else ()))

    def _take_up(self, kept: Kept) -> None:
        """Go on from what the ledger says of this night."""
        night = self._world.night
        self._night = night.night_id if night else None
        self._results = dict(kept.results)
        self._shift = list(kept.shift)
        self._rechecked = dict(kept.rechecked)
        self._writing: dict[Key, object] = {}
        self._verdicts.clear()
        self.up.end()
        self._close(kept.closing)

    def _close(self, closing: bool) -> None:
        self._closing = closing
        self._list()

    def _list(self) -> None:
        """Work out the items anew: closing has its own, and a cold evening has more."""
        site = self._world.site
        cold = rules.is_cold(site, self._results)
        self._opening = rules.opening_items(site, cold=cold)
        self._items = tuple(rules.closing_items(site)) if self._closing else self._opening
        self._settle()
        self._world.touch("opening")

    def _settle(self) -> None:
        """Let the permits know which props have passed."""
        world = self._world
        self._unchecked = rules.unchecked(world.site, self._opening, self._results)
        passed = frozenset(world.props) - self._unchecked
        before, world.checked = world.checked, (self._night or 0, passed)
        if world.site.opening.required and before != world.checked:
            world.touch("site")
            world.touch_all_props()

    def _left(self) -> list[Item]:
        return rules.left(self._items, self._results)

    def _next(self) -> tuple[str, ...]:
        remaining = self._left()
        return remaining[0].key if remaining else ()

    def _seen(self, items: list[Item]) -> Seen:
        props = {item.subject for item in items} & self._world.props.keys()
        return self._facts.seen(props, self._rechecked)

    def _judge(self) -> None:
        still = [item for item in self._items if item.key not in self._results]
        if not still:
            return
        seen, site = self._seen(still), self._world.site
        self._verdicts = {item.key: judge(site, item, seen) for item in still}
        held = [
            item
            for item in still
            if item.how in _JUDGED
            and item.key not in self._writing
            and self._verdicts[item.key].holds
        ]
        if held:
            self._write(held)

    def _write(self, items: list[Item]) -> None:
        """Write down what holds by itself. Taken back meanwhile, it does not count."""
        said = {item.key: self._verdicts[item.key].said for item in items}
        entries = [self._entry(item, said[item.key], "") for item in items]
        token = object()
        self._writing |= {item.key: token for item in items}

        def mine(item: Item) -> bool:
            return self._writing.get(item.key) is token

        def done(_: object) -> None:
            for item, entry in zip(items, entries, strict=True):
                if mine(item):
                    self._done(item.key, Result("", entry.wall_ns, said[item.key]))

        def given_up(_: str) -> None:
            for item in filter(mine, items):
                del self._writing[item.key]

        self._recorder.append(*entries, done=done, given_up=given_up)

    def _done(self, key: Key, result: Result) -> None:
        self._writing.pop(key, None)
        self._results[key] = result
        self._list()

    def _undo(
        self, client: int, request: int, subject: str, ids: list[str], by: str, *, anew: bool
    ) -> None:
        """Take items back at once, whatever the disk does; the answer comes once it is written."""
        for item in ids:
            self._results.pop((subject, item), None)
            self._writing.pop((subject, item), None)
        self._list()
        detail = {"items": ids, "anew": anew}
        entry = EventEntry(UNDONE, subject, detail, self._world.now.wall_ns, by)
        durably(
            self._world, self._recorder, client, request, entry,
            done=lambda _: ok_body(request, {"left": len(self._left())}),
        )  # fmt: skip

    def _entry(self, item: Item, reading: str, by: str) -> EventEntry:
        detail = {"item": item.id, "title": item.title, "reading": reading}
        return EventEntry(CHECK, item.subject, detail, self._world.now.wall_ns, by)

    def _item(self, args: Mapping[str, object]) -> Item:
        self._needs_night()
        subject, wanted = str(args.get("prop") or SITE), text_of(args, "item")
        of = [item for item in self._items if item.subject == subject]
        found = next((item for item in of if item.id == wanted), None)
        if found is None:
            where = "the site" if subject == SITE else subject[:40]
            names = ", ".join(item.id for item in of)
            raise BadRequest(
                f"there is no item {wanted[:40]!r} of {where}",
                f"It has {names}." if names else "`sexton opening` lists all items.",
            )
        return found

    def _by(self, args: Mapping[str, object]) -> str:
        """Who says so, one of the shift."""
        self._needs_night()
        name = _name(args)
        known = self._known(name)
        if known is None:
            raise BadRequest(
                f"{name} is not signed in tonight",
                f"Sign in first; signed in are {', '.join(self._shift) or 'none'}.",
            )
        return known

    def _known(self, name: str) -> str | None:
        return next((one for one in self._shift if one.casefold() == name.casefold()), None)

    def _needs_night(self) -> None:
        self._follow_night()
        if self._world.night is None:
            raise BadRequest("no night is open", "Open the night first: the check belongs to it.")


def _name(args: Mapping[str, object]) -> str:
    return " ".join(text_of(args, "by").split())[:LONGEST_NAME]
