"""What is asked before groups are sent and followed."""

from __future__ import annotations

from console.screens.base import Place
from console.screens.dialogs import Choice, Field
from console.screens.questions import Args, Question, Questions
from console.screens.text import plain

STRENGTHS = {
    "quiet": "lights only",
    "mild": "for the small and the shy",
    "standard": "for most",
    "strong": "for those who ask for it",
}
"""The strengths, mildest first, with what they are for."""

_MORE = "more"


class GroupQuestions(Questions):
    """Two keys send a group: one that asks, one for its strength."""

    def table(self) -> dict[str, Question]:
        """The questions by action."""
        return {
            "send_group": self._send,
            "repeat_group": self._repeat,
            "correct_group": self._correct,
            "quiet_zone": self._quiet,
        }

    async def _send(self, place: Place) -> Args | None:
        strengths = [Choice(name, f"{name}: {words}") for name, words in STRENGTHS.items()]
        more = Choice(_MORE, "with a size, a note, or something that they are spared")
        chosen = await self.choose("Send a group", [*strengths, more])
        if chosen != _MORE:
            return None if chosen is None else {"strength": chosen, "by": self.desk.who}
        chosen = await self.choose("Send a group", strengths)
        if chosen is None:
            return None
        values = await self.form(
            f"Send a group, {chosen}",
            ["Spared: words of the site file such as strobe, loud or fog, with spaces between."],
            Field("size", "How many guests", wanted=False),
            Field("exclude", "Spared", wanted=False),
            Field("note", "Note", wanted=False),
        )
        if values is None:
            return None
        size = {"size": int(values["size"])} if values["size"].isdecimal() else {}
        spared = values["exclude"].replace(",", " ").split()
        return {
            "strength": chosen, **size, "exclude": spared, "note": values["note"],
            "by": self.desk.who,
        }  # fmt: skip

    async def _repeat(self, place: Place) -> Args | None:
        return {"by": self.desk.who}

    async def _correct(self, place: Place) -> Args | None:
        groups = self.desk.store.groups
        titles = {z.name: z.title or z.name for z in self.desk.store.zones}
        number = place.subject("correct_group")
        if not number:
            choices = [
                Choice(str(g.number), f"group {g.number}, {g.strength}, {titles.get(g.zone, '')}")
                for g in groups
            ]
            number = await self.choose("Which group?", choices) or ""
        if not number:
            return None
        if to := place.subject("correct_zone"):
            return {"group": int(number), "zone": to}
        places = [
            Choice("on", "one zone on"),
            Choice("back", "one zone back"),
            Choice("left", "it has left"),
            *(Choice(name, plain(title)) for name, title in titles.items()),
        ]
        zone = await self.choose(f"Group {number} is", places)
        return None if zone is None else {"group": int(number), "zone": zone}

    async def _quiet(self, place: Place) -> Args | None:
        return {"zone": place.subject("quiet_zone"), "by": self.desk.who}
