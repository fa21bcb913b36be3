"""What is asked before something is done to the whole site."""

from __future__ import annotations

from console.screens.base import Place
from console.screens.desk import Notice
from console.screens.dialogs import Choice, Field
from console.screens.questions import Args, Question, Questions
from console.screens.text import count_of
from console.views.models import LinkState, Refusal


class SiteQuestions(Questions):
    """Names and reasons go into the ledger; a clear takes two steps."""

    def table(self) -> dict[str, Question]:
        """The questions by action."""
        return {
            "rearm": self._rearm,
            "clear": self._clear,
            "leave_out": self._leave_out,
            "open_night": self._open_night,
            "close_night": self._close_night,
            "acknowledge": self._acknowledge,
            "upload": self._upload,
            "service": self._service,
            "leak_test": self._leak_test,
            "rain": self._rain,
        }

    async def _rearm(self, place: Place) -> Args | None:
        site = self.desk.store.site
        titles = [p.title or p.name if (p := self.desk.store.prop(n)) else n for n in site.rearm]
        sure = await self.sure(
            f"Arm {count_of(len(titles), 'prop')} again?",
            *([site.rearm_caution] if site.rearm_caution else []),
            ", ".join(titles),
            "Left out: what is tagged, faulted or unchecked. Enter arms them; Esc does not.",
        )
        return {} if sure else None

    async def _clear(self, place: Place) -> Args | None:
        stop = self.desk.store.stop
        values = await self.form(
            "Clear the all-stop: first step",
            ["Look first: is everybody clear of every prop? Name and reason go into the ledger."],
            self.name(),
            Field("why", "Why it may be cleared"),
        )
        if values is None:
            return None
        sure = await self.sure(
            "Clear the all-stop: second step",
            f"{values['by']}: {values['why']}",
            "Enter clears it. That starts nothing and leaves everything disarmed. Air returns: "
            "stand clear.",
        )
        return {"stop": stop.id, "by": values["by"], "why": values["why"]} if sure else None

    async def _leave_out(self, place: Place) -> Args | None:
        controller = place.subject("leave_out")
        values = await self.form(
            f"Leave {controller} out of the clear",
            ["Only with its air closed by hand. It stays stopped, with all its props, when the "
             "all-stop is cleared."],
            self.name(),
        )  # fmt: skip
        return None if values is None else {"controller": controller, "by": values["by"]}

    async def _open_night(self, place: Place) -> Args | None:
        values = await self.form(
            "Open the night", ["Cycles count for it from now on."], self.name()
        )
        return None if values is None else {"by": values["by"]}

    async def _close_night(self, place: Place) -> Args | None:
        values = await self.form(
            "Close the night", ["Disarms everything and ends this opening."], self.name()
        )
        return None if values is None else {"by": values["by"]}

    async def _acknowledge(self, place: Place) -> Args | None:
        return {"alarm": place.subject("acknowledge")}

    async def _upload(self, place: Place) -> Args | None:
        differing = [c for c in self.desk.store.controllers if c.link is LinkState.DIFFERS]
        choices = [Choice(c.name, f"{c.name} ({c.where})") for c in differing]
        texts = ["Its board holds other sequences than the site file. Its props stay disarmed "
                 "until it matches."]  # fmt: skip
        title = "Send the site file's sequences to"
        chosen = await self.choose(title, choices, *texts)
        return None if chosen is None else {"controller": chosen}

    async def _service(self, place: Place) -> Args | None:
        prop, motion, part = place.subject("service").split("/")
        name = " ".join(word for word in (prop, motion, part.replace(":", ", ")) if word)
        kinds = [
            Choice("service", "serviced: cleaned, oiled, adjusted"),
            Choice("replaced", "worn out or broken, replaced by a new part"),
            Choice("renewed", "still good, replaced by a new part"),
        ]
        kind = await self.choose(f"{name} was", kinds)
        if kind is None:
            return None
        values = await self.form(
            f"{name}: {kind}",
            ["Its count starts again; what was before stays in the ledger."],
            self.name(),
            Field("note", "Note", wanted=False),
        )
        if values is None:
            return None
        return {"prop": prop, "motion": motion, "part": part, "kind": kind, **values}

    async def _leak_test(self, place: Place) -> Args | None:
        values = await self.form(
            "Record a leak test",
            ["Fill the tank, switch the compressor off, close nothing else, use nothing. Read the "
             "gauge, wait, and read it again."],
            Field("from_psi", "Gauge at first, psi"),
            Field("to_psi", "Gauge at last, psi"),
            Field("minutes", "Minutes between them"),
            self.name(),
        )  # fmt: skip
        if values is None:
            return None
        try:
            numbers = {n: float(values[n]) for n in ("from_psi", "to_psi", "minutes")}
        except ValueError:
            why = Refusal("number", "a reading is no number", "give plain numbers, such as 92.5")
            self.desk.notice = Notice("Leak test not recorded", (("", why),))
            return None
        return {**numbers, "by": values["by"]}

    async def _rain(self, place: Place) -> Args | None:
        outdoors = [p.title or p.name for p in self.desk.store.props if p.outdoor]
        sure = await self.sure(
            f"Rain: disarm {count_of(len(outdoors), 'prop')} outdoors?",
            ", ".join(outdoors),
            "Enter disarms them; Esc does not.",
        )
        return {} if sure else None
