"""From a key to a request: what is asked of the operator first, and what becomes of the answer.

Each request runs in a worker of its own, so that no dialog and no slow engine delays a key.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

from textual.app import App

from console.actions import Action, Scope
from console.screens.base import Place
from console.screens.desk import Desk, Notice
from console.screens.dialogs import Choice, Choose, Confirm, Field, Form
from console.screens.text import count_of
from console.screens.why import Why
from console.views.client import Reply
from console.views.models import LinkState, PropFlag, PropState, PropView, Refusal

SECOND_KEY_S = 8.0
"""How long a second key is waited for."""

Args = dict[str, object]

_NAME = "Your name"


def able(action: Action, place: Place) -> bool:
    """Whether asking for `action` from `place` could do anything; permits are the engine's."""
    desk = place.desk
    store = desk.store
    prop = store.prop(place.chosen_prop())
    checks: dict[str, Callable[[], bool]] = {
        "mend": lambda: prop is not None and prop.state is PropState.FAULT,
        "rearm": lambda: bool(store.site.rearm) and not store.stop.latched,
        "clear": lambda: store.stop.latched or bool(store.stop.strays),
        "leave_out": lambda: store.stop.latched and bool(place.subject("leave_out")),
        "open_night": lambda: store.site.night is None and store.linked,
        "close_night": lambda: store.site.night is not None,
        "acknowledge": lambda: bool(place.subject("acknowledge")),
        "upload": lambda: any(c.link is LinkState.DIFFERS for c in store.controllers),
        "service": lambda: bool(place.subject("service")),
    }
    if action.id in checks:
        return checks[action.id]()
    return bool(place.targets()) if action.scope is Scope.PROPS else prop is not None


class Asker:
    """Asks on behalf of the screens of one console."""

    def __init__(self, app: App[Any], desk: Desk) -> None:
        self._app = app
        self._desk = desk
        self._makers: dict[str, Callable[[Place], Awaitable[Args | None]]] = {
            "fire": self._fire,
            "test": self._test,
            "switch": self._switch,
            "hand_only": self._hand_only,
            "rearm": self._rearm,
            "clear": self._clear,
            "leave_out": self._leave_out,
            "open_night": self._open_night,
            "close_night": self._close_night,
            "acknowledge": self._acknowledge,
            "upload": self._upload,
            "service": self._service,
        }

    async def ask(self, action: Action, place: Place, subject: str = "") -> None:
        """Ask the operator what is wanted, then the engine.

        `subject` stands for what the cursor of `place` is on.
        """
        if action.id == "why":
            await self._app.push_screen_wait(Why(self._desk, place.chosen_prop()))
            return
        args: Args | None = {"alarm": subject}
        if not subject or action.id != "acknowledge":
            args = await self._arguments(action, place)
        if args is None:
            return
        answer = await self._desk.engine.request(action.id, **args)
        self._desk.notice = notice_of(action, args, answer)
        if answer.ok:
            if action.id == "fire" and place.own_page:
                self._desk.fired_from_page(str(args["prop"]))
            place.asked()
        place.tick()

    async def _arguments(self, action: Action, place: Place) -> Args | None:
        if action.id in self._makers:
            return await self._makers[action.id](place)
        if action.scope is Scope.PROPS:
            return {"props": place.targets()}
        return {"prop": place.chosen_prop()}

    async def _sure(self, title: str, *texts: str, patience_s: float | None = None) -> bool:
        dialog = Confirm(self._desk, title, texts, patience_s=patience_s)
        return await self._app.push_screen_wait(dialog)

    async def _form(self, title: str, texts: list[str], *fields: Field) -> dict[str, str] | None:
        values = await self._app.push_screen_wait(Form(self._desk, title, texts, fields))
        if values and values.get("by"):
            self._desk.who = values["by"]
        return values

    def _name(self) -> Field:
        return Field("by", _NAME, self._desk.who)

    async def _fire(self, place: Place) -> Args | None:
        prop = self._desk.store.prop(place.chosen_prop())
        if prop is None:
            return None
        if place.own_page and self._desk.quick_fire_s(prop.name) > 0:
            return {"prop": prop.name}
        running = f"Runs {prop.sequence} now." if prop.sequence else "Runs one cycle now."
        stands = f" It stands {prop.where}." if prop.where else ""
        sure = await self._sure(
            f"Fire {prop.title or prop.name}?",
            running + stands,
            f"Enter fires it. Esc, or {SECOND_KEY_S:.0f} s of waiting, does not.",
            patience_s=SECOND_KEY_S,
        )
        return {"prop": prop.name} if sure else None

    async def _test(self, place: Place) -> Args | None:
        prop = self._desk.store.prop(place.chosen_prop())
        if prop is None:
            return None
        title = f"Test {prop.title or prop.name}"
        sequence = await self._sequence(title, [prop], "Somebody must be watching it.")
        if sequence is None:
            return None
        sure = await self._sure(
            f"{title}: {sequence}?",
            "It is disarmed and will move. Somebody must be watching it, and nobody within reach.",
            f"Enter runs it. Esc, or {SECOND_KEY_S:.0f} s of waiting, does not.",
            patience_s=SECOND_KEY_S,
        )
        return {"prop": prop.name, "sequence": sequence} if sure else None

    async def _switch(self, place: Place) -> Args | None:
        props = [p for name in place.targets() if (p := self._desk.store.prop(name))]
        of = (props[0].title or props[0].name) if len(props) == 1 else count_of(len(props), "prop")
        text = "For the cycles to come; one that runs is finished first."
        sequence = await self._sequence(f"Switch {of} to", props, text)
        if sequence is None:
            return None
        return {"props": [p.name for p in props], "sequence": sequence}

    async def _sequence(self, title: str, props: list[PropView], text: str) -> str | None:
        """Choose among all sequences of `props`, saying how many have each."""
        strengths: dict[str, list[str]] = {}
        for prop in props:
            for sequence in prop.sequences:
                strengths.setdefault(sequence.name, []).append(sequence.strength)
        choices = []
        for name, found in strengths.items():
            some = f", {len(found)} of {len(props)} have it" if len(found) < len(props) else ""
            now = ", active" if len(props) == 1 and props[0].sequence == name else ""
            choices.append(Choice(name, f"{name} ({'/'.join(dict.fromkeys(found))}{some}{now})"))
        if not choices:
            self._desk.notice = Notice(
                "Nothing to choose",
                (("", Refusal("sequences", "no sequence is known yet", "wait for the engine")),),
            )
            return None
        return await self._app.push_screen_wait(Choose(self._desk, title, choices, [text]))

    async def _hand_only(self, place: Place) -> Args | None:
        props = [p for name in place.targets() if (p := self._desk.store.prop(name))]
        on = not all(PropFlag.HAND_ONLY in p.flags for p in props)
        return {"props": [p.name for p in props], "on": on}

    async def _rearm(self, place: Place) -> Args | None:
        site = self._desk.store.site
        titles = [p.title or p.name if (p := self._desk.store.prop(n)) else n for n in site.rearm]
        sure = await self._sure(
            f"Arm {count_of(len(titles), 'prop')} again?",
            *([site.rearm_caution] if site.rearm_caution else []),
            ", ".join(titles),
            "Left out: what is tagged, faulted or unchecked. Enter arms them; Esc does not.",
        )
        return {} if sure else None

    async def _clear(self, place: Place) -> Args | None:
        stop = self._desk.store.stop
        values = await self._form(
            "Clear the all-stop: first step",
            ["Look first: is everybody clear of every prop? Name and reason go into the ledger."],
            self._name(),
            Field("why", "Why it may be cleared"),
        )
        if values is None:
            return None
        sure = await self._sure(
            "Clear the all-stop: second step",
            f"{values['by']}: {values['why']}",
            "Enter clears it. That starts nothing and leaves everything disarmed. Air returns: "
            "stand clear.",
        )
        return {"stop": stop.id, "by": values["by"], "why": values["why"]} if sure else None

    async def _leave_out(self, place: Place) -> Args | None:
        controller = place.subject("leave_out")
        values = await self._form(
            f"Leave {controller} out of the clear",
            ["Only with its air closed by hand. It stays stopped, with all its props, when the "
             "all-stop is cleared."],
            self._name(),
        )  # fmt: skip
        return None if values is None else {"controller": controller, "by": values["by"]}

    async def _open_night(self, place: Place) -> Args | None:
        values = await self._form(
            "Open the night", ["Cycles count for it from now on."], self._name()
        )
        return None if values is None else {"by": values["by"]}

    async def _close_night(self, place: Place) -> Args | None:
        values = await self._form(
            "Close the night", ["Disarms everything and ends this opening."], self._name()
        )
        return None if values is None else {"by": values["by"]}

    async def _acknowledge(self, place: Place) -> Args | None:
        return {"alarm": place.subject("acknowledge")}

    async def _upload(self, place: Place) -> Args | None:
        differing = [c for c in self._desk.store.controllers if c.link is LinkState.DIFFERS]
        choices = [Choice(c.name, f"{c.name} ({c.where})") for c in differing]
        texts = ["Its board holds other sequences than the site file. Its props stay disarmed "
                 "until it matches."]  # fmt: skip
        title = "Send the site file's sequences to"
        chosen = await self._app.push_screen_wait(Choose(self._desk, title, choices, texts))
        return None if chosen is None else {"controller": chosen}

    async def _service(self, place: Place) -> Args | None:
        prop, motion, part = place.subject("service").split("/")
        kinds = [
            Choice("service", "serviced: cleaned, oiled, adjusted"),
            Choice("replaced", "replaced by a new part"),
        ]
        kind = await self._app.push_screen_wait(Choose(self._desk, f"{prop}, {part} was", kinds))
        if kind is None:
            return None
        values = await self._form(
            f"{prop}, {part}: {kind}",
            ["Its count starts again; what was before stays in the ledger."],
            self._name(),
            Field("note", "Note", wanted=False),
        )
        if values is None:
            return None
        return {"prop": prop, "motion": motion, "part": part, "kind": kind, **values}


def notice_of(action: Action, args: Args, answer: Reply) -> Notice | None:
    """What is left to read after an answer: None where everything was taken on."""
    refusals = tuple(
        (prop, refusal) for prop, several in answer.refused.items() for refusal in several
    )
    if not refusals:
        return None
    refused = [name for name in answer.refused if name]
    asked = args.get("props")
    some = (
        f" for {len(refused)} of {count_of(len(asked), 'prop')}"
        if isinstance(asked, list) and len(asked) > 1
        else f": {args['prop']}"
        if "prop" in args
        else ""
    )
    return Notice(f"{action.title} refused{some}", refusals)
