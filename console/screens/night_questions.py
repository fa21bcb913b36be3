"""What is asked as the night goes on: notes, pauses, and handing the desk over."""

from __future__ import annotations

from console.screens.base import Place
from console.screens.dialogs import Choice, Field
from console.screens.questions import Args, Question, Questions


class NightQuestions(Questions):
    """Typing begins after the second key: what happened comes first, its place before that."""

    def table(self) -> dict[str, Question]:
        """The questions by action."""
        return {
            "note": self._note,
            "pause": self._pause,
            "resume": self._resume,
            "hand_over": self._hand_over,
        }

    async def _note(self, place: Place) -> Args | None:
        prop = self.desk.store.prop(place.chosen_prop())
        here = (prop.title or prop.name) if prop else ""
        choices = [Choice("site note", "a note about the night")]
        if prop is not None:
            choices = [
                Choice("prop incident", f"an incident at {here}: it is disarmed and left out"),
                Choice("prop note", f"a note about {here}"),
                Choice("site incident", "an incident elsewhere"),
                *choices,
            ]
        chosen = await self.choose(
            "Note something", choices, "The two minutes before it are kept with it."
        )
        if chosen is None:
            return None
        values = await self.form(
            dict(choices)[chosen], [], Field("text", "What happened"), self.name()
        )
        if values is None:
            return None
        args: Args = {**values, "incident": chosen.endswith("incident")}
        if chosen.startswith("prop") and prop is not None:
            args["prop"] = prop.name
        return args

    async def _pause(self, place: Place) -> Args | None:
        values = await self.form(
            "Pause the night",
            ["Disarms everything and holds the groups. What was armed is kept in mind. "
             "Somebody must tell the guests inside."],
            Field("why", "Why"),
            self.name(),
        )  # fmt: skip
        return None if values is None else dict(values)

    async def _resume(self, place: Place) -> Args | None:
        values = await self.form(
            "Resume the night",
            ["Nothing is armed by this: what was armed is offered for arming again."],
            self.name(),
        )
        return None if values is None else dict(values)

    async def _hand_over(self, place: Place) -> Args | None:
        store = self.desk.store
        props = store.props
        tagged = [f"{p.title or p.name} (tagged by {', '.join(p.tags)})" for p in props if p.tags]
        overridden = [
            f"{p.title or p.name}: {', '.join(p.overrides)}" for p in props if p.overrides
        ]
        values = await self.form(
            "Hand the desk over",
            [
                f"Tags: {'; '.join(tagged) or 'none'}.",
                f"Overrides: {'; '.join(overridden) or 'none'}.",
                f"Alarms: {'; '.join(a.text for a in store.alarms) or 'none'}.",
            ],
            self.name(),
            Field("to", "Who takes over"),
            Field("note", "What they should know", wanted=False),
        )
        return None if values is None else dict(values)
