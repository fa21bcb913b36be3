"""What is asked before something is done to props."""

from __future__ import annotations

from console.screens import questions
from console.screens.base import Place
from console.screens.desk import Notice
from console.screens.dialogs import Choice, Field
from console.screens.questions import Args, Question, Questions
from console.screens.text import count_of
from console.views.models import PropFlag, PropView, Refusal


class PropQuestions(Questions):
    """Fire and test need another key than the one that asks for them."""

    def table(self) -> dict[str, Question]:
        """The questions by action."""
        return {
            "fire": self._fire,
            "test": self._test,
            "switch": self._switch,
            "hand_only": self._hand_only,
            "override": self._override,
        }

    async def _fire(self, place: Place) -> Args | None:
        prop = self.desk.store.prop(place.chosen_prop())
        if prop is None:
            return None
        if place.own_page and self.desk.quick_fire_s(prop.name) > 0:
            return {"prop": prop.name}
        running = f"Runs {prop.sequence} now." if prop.sequence else "Runs one cycle now."
        stands = f" It stands {prop.where}." if prop.where else ""
        sure = await self.sure(
            f"Fire {prop.title or prop.name}?",
            running + stands,
            f"Enter fires it. Esc, or {questions.SECOND_KEY_S:.0f} s of waiting, does not.",
            patience_s=questions.SECOND_KEY_S,
        )
        return {"prop": prop.name} if sure else None

    async def _test(self, place: Place) -> Args | None:
        prop = self.desk.store.prop(place.chosen_prop())
        if prop is None:
            return None
        title = f"Test {prop.title or prop.name}"
        sequence = await self._sequence(title, [prop], "Somebody must be watching it.")
        if sequence is None:
            return None
        sure = await self.sure(
            f"{title}: {sequence}?",
            "It is disarmed and will move. Somebody must be watching it, and nobody within reach.",
            f"Enter runs it. Esc, or {questions.SECOND_KEY_S:.0f} s of waiting, does not.",
            patience_s=questions.SECOND_KEY_S,
        )
        return {"prop": prop.name, "sequence": sequence} if sure else None

    async def _switch(self, place: Place) -> Args | None:
        props = [p for name in place.targets() if (p := self.desk.store.prop(name))]
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
            self.desk.notice = Notice(
                "Nothing to choose",
                (("", Refusal("sequences", "no sequence is known yet", "wait for the engine")),),
            )
            return None
        return await self.choose(title, choices, text)

    async def _hand_only(self, place: Place) -> Args | None:
        props = [p for name in place.targets() if (p := self.desk.store.prop(name))]
        on = not all(PropFlag.HAND_ONLY in p.flags for p in props)
        return {"props": [p.name for p in props], "on": on}

    async def _override(self, place: Place) -> Args | None:
        prop = self.desk.store.prop(place.chosen_prop())
        if prop is None:
            return None
        checks = {r.check: r.reason for r in overridable(prop)}
        check = await self.choose(
            f"Override for {prop.title or prop.name}, until the night closes",
            [Choice(check, reason) for check, reason in checks.items()],
            "Only these may be. Name and reason go into the ledger and onto the report.",
        )
        if check is None:
            return None
        values = await self.form(
            f"Override: {checks[check]}",
            [],
            self.name(),
            Field("why", "Why it may be overridden"),
        )
        return None if values is None else {"prop": prop.name, "check": check, **values}


def overridable(prop: PropView) -> list[Refusal]:
    """What keeps the prop and may be overridden."""
    return [r for r in (*prop.arm_refusals, *prop.fire_refusals) if r.may_override]
