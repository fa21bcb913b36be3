"""What clients ask: permits first, then a request to a board or a ledger entry, and one answer.

An answer that says ok means taken on. What a board makes of it shows in the views.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from console.actions import ACTIONS, BY_ID, Scope
from console.engine.badrequest import BadRequest, text_of
from console.engine.compile import sources_of
from console.engine.durably import durably, not_durable, ok_body, refused_body
from console.engine.effects import Answer
from console.engine.grouprequests import GroupRequests
from console.engine.groups import Groups
from console.engine.nights import Nights
from console.engine.notebook import Notebook
from console.engine.opening import OpeningCheck
from console.engine.overriding import Overriding
from console.engine.recording import Recorder
from console.engine.stopping import Stopping
from console.engine.tagging import Tagging
from console.engine.world import PropNow, World
from console.errors import UserError
from console.ledger.entries import Entry, EventEntry
from console.ledger.working import entry_of
from console.rules.airtest import EVENT_KIND, detail_of, leak_test
from console.rules.permits import Facts, refusals
from console.rules.rearm import offered
from console.site.fittings import Fitting, fittings
from console.views.models import Asked, PropState, Refusal
from drivers.messages import Arm, Disarm, Fire, Mend, Request, Select, Test
from drivers.words import Sources

Result = Mapping[str, object]

_NOTED = ("arm", "disarm", "fire", "test", "switch", "hand_only", "rearm")
"""Actions on props that are kept in the ledger with who asked; the others keep themselves."""


class Requests:
    """Carries out the table of actions."""

    def __init__(
        self,
        world: World,
        recorder: Recorder,
        stopping: Stopping,
        nights: Nights,
        groups: Groups,
        opening: OpeningCheck,
    ) -> None:
        self._world = world
        self._recorder = recorder
        self._stopping = stopping
        self._nights = nights
        self._groups = groups
        self._opening = opening
        opening.acts_with(self._arm_one, self.disarm)
        groups.disarms_with(self.disarm)
        asked = self._group_requests = GroupRequests(groups, recorder)
        self.tagging = Tagging(world, recorder, self.disarm)
        self.overriding = Overriding(world, recorder)
        self.notebook = Notebook(world, recorder, self.disarm)
        self._fittings: tuple[Fitting, ...] | None = None
        self._handlers: dict[str, Callable[[int, int, Mapping[str, object]], Result | None]] = {
            "arm": self._arm,
            "disarm": self._disarm,
            "fire": self._fire,
            "test": self._test,
            "switch": self._switch,
            "hand_only": self._hand_only,
            "mend": self._mend,
            "rearm": self._rearm,
            "clear": self._clear,
            "leave_out": self._leave_out,
            "open_night": self._open_night,
            "close_night": self._close_night,
            "acknowledge": self._acknowledge,
            "upload": self._upload,
            "service": self._service,
            "leak_test": self._leak_test,
            "why": self._why,
            "check": opening.check,
            "uncheck": opening.uncheck,
            "recheck": opening.recheck,
            "sign_in": opening.sign_in,
            "open_up": opening.open_up,
            "close_up": opening.close_up,
            "override": self.overriding.override,
            "note": self.notebook.note,
            "pause": lambda _client, _request, args: self.notebook.pause(args),
            "resume": lambda _client, _request, args: self.notebook.resume(args),
            "hand_over": self._hand_over,
            "tag": self.tagging.tag,
            "untag": self.tagging.untag,
            "hand_over_tag": self.tagging.hand_over,
            "lift_tag": self.tagging.lift_absent,
            "test_break": self.tagging.begin_break,
            "hold": lambda _client, _request, args: self.tagging.hold(args),
            "send_group": lambda _client, _request, args: asked.send(args),
            "repeat_group": lambda _client, _request, args: asked.repeat(args),
            "correct_group": lambda _client, _request, args: asked.correct(args),
            "quiet_zone": lambda _client, _request, args: asked.quiet_zone(args),
            "release_switch": self._release,
            "rain": lambda _client, _request, args: asked.rain(self.disarm, args),
        }

    def ask(self, client: int, request: int, action: str, args: Mapping[str, object]) -> None:
        """Carry out one request; exactly one answer goes to the client, now or once durable."""
        world = self._world
        try:
            known = BY_ID.get(action)
            handler = self._handlers.get(action)
            if known is None or handler is None:
                raise BadRequest(
                    f"there is no action {action[:40]!r}",
                    f"Known are {', '.join(a.id for a in ACTIONS if a.id in self._handlers)}.",
                )
            if known.durable and self._recorder.trouble:
                raise _Refused((not_durable(self._recorder.trouble),))
            if known.scope is Scope.SITE and known.permits:
                found = refusals(known.permits, self._site_facts())
                if found:
                    raise _Refused(found)
            result = handler(client, request, args)
        except BadRequest as bad:
            world.emit(Answer(client, refused_body(request, (bad.refusal,))))
        except _Refused as refused:
            checks = [r.check for r in refused.refusals]
            self._note("refused", client, args, action=action, checks=checks)
            world.emit(Answer(client, refused_body(request, refused.refusals)))
        else:
            if action in _NOTED and result is not None:
                self._note(action, client, args, done=result.get("done", []))
            if result is not None:
                world.emit(Answer(client, {"id": request, "ok": True, "result": result}))

    def _note(self, kind: str, client: int, args: Mapping[str, object], **detail: object) -> None:
        """Keep who asked for what; that it was done is the boards' to say."""
        by = str(args.get("by") or self._world.clients.get(client, ""))[:60]
        asked = args.get("prop") or args.get("props") or "site"
        subject = asked if isinstance(asked, str) else "site"
        also = {k: args[k] for k in ("sequence", "on") if isinstance(args.get(k), str | bool)}
        self._recorder.event(kind, subject[:60], by, **detail, **also)

    # --- props --------------------------------------------------------------------------------

    def _arm(self, client: int, request: int, args: Mapping[str, object]) -> Result:
        several = len(self._props(args)) > 1

        def arm(prop: PropNow) -> None:
            if several and prop.name in self._world.incidents:
                raise BadRequest(
                    "something happened at it tonight", "Look at it, then arm it by itself."
                )
            self._world.incidents.discard(prop.name)
            self._arm_one(prop)

        return self._each(args, "arm", arm)

    def _arm_one(self, prop: PropNow) -> None:
        sources = sources_of(prop.prop, hand_only=prop.hand_only)
        self._ask(prop, Asked.ARM, Arm, Sources(sources))

    def _disarm(self, client: int, request: int, args: Mapping[str, object]) -> Result:
        props = self._props(args)
        for prop in props:
            self.disarm(prop)
        self._world.touch("site")
        return {"done": [p.name for p in props], "refused": {}}

    def disarm(self, prop: PropNow) -> None:
        """Disarm a prop, whatever is under way; it is no longer offered for arming again."""
        self._world.armed_before.pop(prop.name, None)
        self._opening.leaves_out(prop.name)
        self._ask(prop, Asked.DISARM, Disarm)

    def _fire(self, client: int, request: int, args: Mapping[str, object]) -> Result:
        prop = self._one_permitted(args, "fire")
        if prop.asked in (Asked.FIRE, Asked.TEST):
            raise BadRequest("a fire is under way already", "Wait for its answer.")
        self._groups.fired(prop)
        self._ask(prop, Asked.FIRE, Fire)
        return {"done": [prop.name]}

    def _test(self, client: int, request: int, args: Mapping[str, object]) -> Result:
        prop = self._one_permitted(args, "test")
        if prop.asked in (Asked.FIRE, Asked.TEST):
            raise BadRequest("a test is under way already", "Wait for its answer.")
        self._groups.fired(prop)
        self._ask(prop, Asked.TEST, Test, self._sequence(prop, text_of(args, "sequence")))
        return {"done": [prop.name]}

    def _switch(self, client: int, request: int, args: Mapping[str, object]) -> Result:
        name = text_of(args, "sequence")

        def switch(prop: PropNow) -> None:
            number = self._sequence(prop, name)
            prop.wanted, prop.by_hand = number, True
            self._ask(prop, Asked.SWITCH, Select, number)

        return self._each(args, "switch", switch)

    def _release(self, client: int, request: int, args: Mapping[str, object]) -> Result:
        return self._each(args, "release_switch", self._group_requests.release)

    def _hand_only(self, client: int, request: int, args: Mapping[str, object]) -> Result:
        on = bool(args.get("on"))

        def hand_only(prop: PropNow) -> None:
            if not prop.has_sensor:
                raise BadRequest("it has no sensor", "It is triggered by hand anyway.")
            prop.hand_only = on
            if self._world.state_of(prop) in (
                PropState.ARMED,
                PropState.RUNNING,
                PropState.RESTING,
            ):
                self._arm_one(prop)

        return self._each(args, "hand_only", hand_only)

    def _mend(self, client: int, request: int, args: Mapping[str, object]) -> Result:
        prop = self._one_permitted(args, "mend")
        self._recorder.event("mend", prop.name, str(args.get("by", "")), fault=prop.fault)
        self._ask(prop, Asked.MEND, Mend)
        return {"done": [prop.name]}

    def _rearm(self, client: int, request: int, args: Mapping[str, object]) -> Result:
        world = self._world
        offer = offered(world.armed_before, {n: world.facts(p) for n, p in world.props.items()}, {})
        return self._each({"props": list(offer)}, "arm", self._arm_one)

    def _why(self, client: int, request: int, args: Mapping[str, object]) -> Result:
        prop = self._prop(text_of(args, "prop"))
        facts = self._world.facts(prop)
        return {
            action: refused_body(0, refusals(BY_ID[action].permits, facts))["refused"]
            for action in ("arm", "fire", "test")
        }

    # --- site ---------------------------------------------------------------------------------

    def _clear(self, client: int, request: int, args: Mapping[str, object]) -> None:
        self._stopping.clear(
            _number(args, "stop"), text_of(args, "by"), text_of(args, "why"), client, request
        )

    def _leave_out(self, client: int, request: int, args: Mapping[str, object]) -> None:
        name = self._controller(args)
        if not self._world.latch.latched:
            raise BadRequest("no all-stop is latched", "There is nothing to be left out of.")
        self._stopping.leave_out(name, text_of(args, "by"), client, request)

    def _open_night(self, client: int, request: int, args: Mapping[str, object]) -> None:
        self._nights.open(text_of(args, "by"), client, request)

    def _close_night(self, client: int, request: int, args: Mapping[str, object]) -> None:
        for prop in self._world.props.values():
            self.disarm(prop)
        self._nights.close(text_of(args, "by"), client, request)

    def _hand_over(self, client: int, request: int, args: Mapping[str, object]) -> None:
        self.notebook.hand_over(client, request, args)
        self._opening.joins(text_of(args, "to")[:60])

    def _acknowledge(self, client: int, request: int, args: Mapping[str, object]) -> Result:
        key = text_of(args, "alarm")
        if not self._world.alarms.acknowledge(key):
            raise BadRequest("this alarm does not stand any more", "Nothing needs to be done.")
        self._recorder.event("acknowledge", key, str(args.get("by", "")))
        return {}

    def _upload(self, client: int, request: int, args: Mapping[str, object]) -> Result:
        at = self._world.controllers[self._controller(args)]
        at.upload_asked = True
        at.session.replace()
        self._recorder.event("upload", at.name, str(args.get("by", "")))
        return {"done": [at.name]}

    def _service(self, client: int, request: int, args: Mapping[str, object]) -> None:
        world = self._world
        if self._fittings is None:
            self._fittings = fittings(world.site)
        try:
            entry = entry_of(self._fittings, args, world.now.wall_ns)
        except UserError as error:
            raise BadRequest(error.message, error.hint) from None

        self._durably(client, request, entry, {})

    def _leak_test(self, client: int, request: int, args: Mapping[str, object]) -> None:
        world = self._world
        try:
            found = leak_test(
                world.site,
                _quantity(args, "from_psi"), _quantity(args, "to_psi"), _quantity(args, "minutes"),
            )  # fmt: skip
        except ValueError as error:
            raise BadRequest(str(error), "Read the gauge and the clock again.") from None
        entry = EventEntry(
            EVENT_KIND, "air", detail_of(found), world.now.wall_ns, text_of(args, "by")
        )
        self._durably(client, request, entry, detail_of(found))

    # --- inside -------------------------------------------------------------------------------

    def _durably(self, client: int, request: int, entry: Entry, result: Result) -> None:
        """Answer once `entry` is in the ledger, or that it is not."""
        durably(
            self._world, self._recorder, client, request, entry,
            done=lambda _: ok_body(request, result),
        )  # fmt: skip

    def _each(
        self, args: Mapping[str, object], action: str, do: Callable[[PropNow], None]
    ) -> Result:
        """Do it to every prop that permits it; refused only where none does."""
        done: list[str] = []
        refused: dict[str, list[object]] = {}
        last: tuple[Refusal, ...] = ()
        for prop in self._props(args):
            found = refusals(BY_ID[action].permits, self._world.facts(prop))
            if not found:
                try:
                    do(prop)
                except BadRequest as bad:
                    found = (bad.refusal,)
            if found:
                last = found
                refused[prop.name] = list(refused_body(0, found)["refused"])  # type: ignore[call-overload]
            else:
                done.append(prop.name)
        if refused and not done:
            raise _Refused(last)
        return {"done": done, "refused": refused}

    def _one_permitted(self, args: Mapping[str, object], action: str) -> PropNow:
        prop = self._prop(text_of(args, "prop"))
        found = refusals(BY_ID[action].permits, self._world.facts(prop))
        if found:
            raise _Refused(found)
        return prop

    def _ask(self, prop: PropNow, asked: Asked, kind: type[Request], *fields: object) -> None:
        at = self._world.controller_of(prop)
        prop.asked = asked
        at.session.ask((asked, prop.name), kind, prop.prop.index, *fields)
        self._world.touch(f"prop/{prop.name}")

    def _props(self, args: Mapping[str, object]) -> list[PropNow]:
        """The props that `props` names: names, `zone/NAME`, or `all`."""
        given = args.get("props")
        names = [given] if isinstance(given, str) else given
        if not isinstance(names, list) or not all(isinstance(n, str) for n in names):
            raise BadRequest("`props` must be a list of names")
        found: dict[str, PropNow] = {}
        for name in names:
            if name == "all":
                found.update(self._world.props)
            elif name.startswith("zone/"):
                zone = name.removeprefix("zone/")
                of_zone = {n: p for n, p in self._world.props.items() if p.prop.zone == zone}
                if not of_zone:
                    raise BadRequest(f"there is no zone {zone[:40]!r}")
                found.update(of_zone)
            else:
                found[name] = self._prop(name)
        return list(found.values())

    def _prop(self, name: str) -> PropNow:
        prop = self._world.props.get(name)
        if prop is None:
            raise BadRequest(f"there is no prop {name[:40]!r}")
        return prop

    def _sequence(self, prop: PropNow, name: str) -> int:
        for sequence in prop.prop.sequences:
            if sequence.name == name:
                return sequence.number
        names = ", ".join(s.name for s in prop.prop.sequences)
        raise BadRequest(f"it has no sequence {name[:40]!r}", f"It has {names}.")

    def _controller(self, args: Mapping[str, object]) -> str:
        name = text_of(args, "controller")
        if name not in self._world.controllers:
            raise BadRequest(f"there is no controller {name[:40]!r}")
        return name

    def _site_facts(self) -> Facts:
        return Facts(
            latched=self._world.latch.latched, open_stop_inputs=self._world.open_stop_inputs()
        )


class _Refused(Exception):
    def __init__(self, refusals: tuple[Refusal, ...]) -> None:
        super().__init__(refusals)
        self.refusals = refusals


def _number(args: Mapping[str, object], name: str) -> int:
    value = args.get(name)
    if not isinstance(value, int) or isinstance(value, bool):
        raise BadRequest(f"`{name}` is missing", "Say it as a number.")
    return value


def _quantity(args: Mapping[str, object], name: str) -> float:
    value = args.get(name)
    if not isinstance(value, int | float) or isinstance(value, bool):
        raise BadRequest(f"`{name}` is missing", "Say it as a number.")
    return float(value)
