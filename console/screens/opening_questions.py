"""What is asked in the opening check, in opening up and in closing up."""

from __future__ import annotations

from console.rules.opening import SITE, How
from console.screens.base import Place
from console.screens.dialogs import Choice, Field
from console.screens.questions import Args, Question, Questions
from console.screens.text import count_of
from console.views.models import PropState


class OpeningQuestions(Questions):
    """Names come from the shift: nobody types one but to sign in."""

    def table(self) -> dict[str, Question]:
        """The questions by action."""
        return {
            "check": self._check,
            "uncheck": self._uncheck,
            "recheck": self._recheck,
            "sign_in": self._sign_in,
            "open_up": self._open_up,
            "close_up": self._close_up,
        }

    async def who(self, title: str) -> str | None:
        """Who says so: whoever spoke last at this console, if signed in; else one of the shift."""
        shift = self.desk.store.opening.shift
        if self.desk.who in shift or len(shift) == 1:
            return self.desk.who if self.desk.who in shift else shift[0]
        if not shift:
            values = await self.form(title, ["Nobody is signed in yet."], self.name())
            return values["by"] if values else None
        by = await self.choose(title, [Choice(name, name) for name in shift], "Who says so?")
        self.desk.who = by or self.desk.who
        return by

    async def _check(self, place: Place) -> Args | None:
        item = self.desk.store.check(place.subject("check"))
        if item is None:
            return None
        prop = self.desk.store.prop(item.subject)
        title = f"{prop.title or prop.name}: {item.title}" if prop else item.title
        by = await self.who(title)
        if by is None:
            return None
        args: Args = {"item": item.item, "by": by}
        if item.subject != SITE:
            args["prop"] = item.subject
        if item.how == How.READING.value:
            values = await self.form(title, [item.todo], Field("reading", "It reads"))
            return None if values is None else {**args, "reading": values["reading"]}
        sure = await self.sure(title, item.todo, f"Enter: {by} says that it holds. Esc: no.")
        return args if sure else None

    async def _uncheck(self, place: Place) -> Args | None:
        item = self.desk.store.check(place.subject("uncheck"))
        by = await self.who("Take back") if item is not None else None
        if item is None or by is None:
            return None
        sure = await self.sure(
            f"Take back: {item.title}?", f"{item.by} said so.", f"Enter: {by} takes it back."
        )
        args: Args = {"item": item.item, "by": by}
        if item.subject != SITE:
            args["prop"] = item.subject
        return args if sure else None

    async def _recheck(self, place: Place) -> Args | None:
        prop = self.desk.store.prop(place.chosen_prop())
        if prop is None:
            return None
        title = f"Check {prop.title or prop.name} again?"
        by = await self.who(title)
        if by is None:
            return None
        sure = await self.sure(
            title,
            "It is disarmed, and its part of the opening check begins anew: test it with somebody "
            "watching, read its gauge.",
            f"Enter: {by} begins. Esc does not.",
        )
        return {"prop": prop.name, "by": by} if sure else None

    async def _sign_in(self, place: Place) -> Args | None:
        shift = self.desk.store.opening.shift
        values = await self.form(
            "Sign in",
            [
                f"Signed in: {', '.join(shift) or 'nobody'}. What is checked off at this console "
                "from now on is under the name that is given here."
            ],
            Field("by", "Who joins"),
        )
        return None if values is None else dict(values)

    async def _open_up(self, place: Place) -> Args | None:
        store = self.desk.store
        waiting = [p for p in store.props if p.state is PropState.DISARMED]
        able = [p for p in waiting if all(r.check == "pressure" for r in p.arm_refusals)]
        out = [p.title or p.name for p in waiting if p not in able]
        title = f"Open up: arm {count_of(len(able), 'prop')}?"
        by = await self.who(title)
        if by is None:
            return None
        open_ = store.opening.of - store.opening.done
        sure = await self.sure(
            title,
            *([f"{count_of(open_, 'item')} of the opening check not done."] if open_ else []),
            "One after another in walking order, as the air allows. A stop, a pause or a disarm "
            "ends it.",
            f"Left out: {', '.join(out) or 'none'}.",
            "Air comes: stand clear. Enter arms them; Esc does not.",
        )
        return {"by": by} if sure else None

    async def _close_up(self, place: Place) -> Args | None:
        within = len(self.desk.store.groups)
        by = await self.who("Close up")
        if by is None:
            return None
        warning = f"{count_of(within, 'group')} in the walk still: are you sure they are out?"
        sure = await self.sure(
            "Close up: is the last guest out?",
            *([warning] if within else []),
            "Disarms everything, then lists what is left to do: parking, air, chores.",
            "Enter closes up; Esc does not.",
        )
        return {"by": by, "anyway": bool(within)} if sure else None
