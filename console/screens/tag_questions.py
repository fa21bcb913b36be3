"""What is asked before a tag is set, lifted or handed over, and the test break."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType

from console.screens.base import Dialog, Place
from console.screens.desk import Desk
from console.screens.dialogs import Choice, Field, Paragraphs
from console.screens.palette import Role
from console.screens.questions import Args, Question, Questions
from console.screens.text import plain
from console.views.models import PropView

LOCKOUT: tuple[str, ...] = (
    "A tag in this program replaces none of this, in this order (29 CFR 1910.147(d)):",
    "prepare and tell the others; stop the prop; isolate its air and its power; put your own lock "
    "and tag on; vent what air is left and keep it vented; try whether it is dead; then work.",
)
"""What the dialog walks through before it takes a name."""


class TagQuestions(Questions):
    """The engine decides whose tag it is; here is only asked who asks."""

    def table(self) -> dict[str, Question]:
        """The questions by action."""
        return {
            "tag": self._tag,
            "untag": self._untag,
            "hand_over_tag": self._hand_over,
            "lift_tag": self._lift,
            "test_break": self._test_break,
        }

    def _prop(self, place: Place) -> PropView | None:
        return self.desk.store.prop(place.chosen_prop())

    def _pin(self, label: str = "Your PIN, if you want one") -> Field:
        return Field("pin", label, wanted=False, secret=True)

    async def _asked(
        self, prop: PropView | None, title: str, texts: list[str], *fields: Field
    ) -> Args | None:
        if prop is None:
            return None
        held = [f"Tagged by {', '.join(prop.tags)}."] if prop.tags else []
        values = await self.form(f"{title}: {prop.title or prop.name}", [*texts, *held], *fields)
        if values is None:
            return None
        return {"prop": prop.name, **{name: value for name, value in values.items() if value}}

    async def _tag(self, place: Place) -> Args | None:
        reason = Field("reason", "What is being done")
        return await self._asked(
            self._prop(place), "Tag", list(LOCKOUT), self.name(), reason, self._pin()
        )

    async def _untag(self, place: Place) -> Args | None:
        texts = ["Tools out, people clear, guards on, air and power still isolated?"]
        pin = self._pin("Your PIN, if you gave one")
        return await self._asked(self._prop(place), "Lift my tag", texts, self.name(), pin)

    async def _hand_over(self, place: Place) -> Args | None:
        texts = ["Both of you stand here: one gives the work over, the other takes it."]
        return await self._asked(
            self._prop(place),
            "Hand my tag over",
            texts,
            self.name(),
            self._pin("Your PIN, if you gave one"),
            Field("to", "Who takes over"),
            Field("new_pin", "Their PIN, if they want one", wanted=False, secret=True),
        )

    async def _lift(self, place: Place) -> Args | None:
        texts = [
            "Only where the owner is away, cannot be reached, and will be told on return: two "
            "people confirm it (29 CFR 1910.147(e)(3))."
        ]
        return await self._asked(
            self._prop(place),
            "Lift an absent person's tag",
            texts,
            Field("owner", "Whose tag it is"),
            self.name(),
            Field("second", "Who confirms it with you"),
            Field("note", "How you know that they are away and nobody is inside"),
        )

    async def _test_break(self, place: Place) -> Args | None:
        prop = self._prop(place)
        if prop is None:
            return None
        motions = [Choice(p.name, plain(p.name)) for p in prop.points if p.kind == "motion"]
        if not motions:
            return None
        output = await self.choose(
            f"Test break: {prop.title or prop.name}, which motion?",
            motions,
            "For the owner of the tag, with everybody out of reach (29 CFR 1910.147(f)(1)).",
        )
        if output is None:
            return None
        pin = self._pin("Your PIN, if you gave one")
        args = await self._asked(prop, f"Test break, {plain(output)}", [], self.name(), pin)
        if args is None:
            return None
        clear = await self.sure(
            "Is everybody out of reach?",
            "You looked and called. Enter says yes and lets you hold the motion on; Esc does not.",
        )
        return {**args, "output": output, "people_clear": True} if clear else None


class HoldToRun(Dialog[None]):
    """The space bar, held, holds the motion; the board lets go by itself when it is let go."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space", "hold", "Hold on", id="hold.on", tooltip="The motion is on while held."),
        Binding("escape", "over", "End", id="hold.end", tooltip="Let go; the tag is back."),
    ]

    def __init__(self, desk: Desk, prop: str, output: str) -> None:
        super().__init__(desk, f"Test break: {plain(output)}")
        self._prop = prop
        self._said = "Hold the space bar: the motion is on for as long. Esc ends the break."

    def body(self) -> ComposeResult:
        yield Paragraphs(self.title_text, [self._said])
        yield Paragraphs("", ["Only while you see the prop and everybody near it."], Role.WARN)

    def action_hold(self) -> None:
        """Once more for a moment."""
        self.run_worker(self._ask(on=True), group="hold")

    def action_over(self) -> None:
        """Let go."""
        self.app.run_worker(self._ask(on=False), group="hold")
        self.dismiss(None)

    async def _ask(self, *, on: bool) -> None:
        reply = await self.desk.engine.request("hold", prop=self._prop, on=on)
        if reply.ok or not on or not self.is_mounted:
            return
        reasons = [
            f"{r.reason} → {r.remedy}" for several in reply.refused.values() for r in several
        ]
        self.query(Paragraphs).first().put([self._said, *reasons])
