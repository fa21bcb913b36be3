"""The opening check as a guided walk, opening up, and closing up. It can be left and resumed."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType

from console.screens.base import AskFor, Place
from console.screens.bindings import OPENING_WAYS, ways
from console.screens.desk import Desk
from console.screens.lines import Lines
from console.screens.opening_lines import NO_NIGHT, check_rows, sum_lines, todo_lines
from console.screens.palette import Role
from console.screens.rows import Row, Rows
from console.screens.text import Line, paragraph
from console.views.models import PropState


class OpeningPlace(Place):
    """What is left, in walking order; the engine keeps what is done."""

    title_text = "Opening"
    help_text = (
        "What must hold before guests come in, in walking order. ! waits for what is judged by "
        "itself, · for somebody of the shift: Enter does or says the chosen one, t tests its prop. "
        "Press the stops in one walk and clear once. A opens up, X closes up; E checks one prop "
        "again during the night. Leave it whenever you like: it goes on from here."
    )
    BINDINGS: ClassVar[list[BindingType]] = [*ways(*OPENING_WAYS)]

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self._everything = False
        self._led = False

    def body(self) -> ComposeResult:
        yield Sum(self)
        yield Rows(id="checks")
        yield Todo(self)

    @property
    def titles(self) -> dict[str, str]:
        """Titles of zones, props and controllers by name."""
        store = self.desk.store
        return {
            **{c.name: c.name for c in store.controllers},
            **{z.name: z.title for z in store.zones},
            **{p.name: p.title or p.name for p in store.props},
        }

    @property
    def in_night(self) -> bool:
        """Whether there is a night that could be checked."""
        return self.desk.store.site.night is not None

    def show(self) -> None:
        rows = self.query_one("#checks", Rows)
        if not rows.room:
            return
        if not self.in_night:
            rows.put([Row(r) for r in paragraph(NO_NIGHT, rows.room, Role.TEXT, " ")])
            return
        made = check_rows(
            self.desk.store.opening, self.titles, rows.room, everything=self._everything
        )
        rows.put(made, stale=not self.desk.store.linked)
        if not self._led and made:
            self._led = True
            self.action_next()

    def on_screen_resume(self) -> None:
        """Whoever comes back is led to what is next."""
        self._led = False
        super().on_screen_resume()

    @property
    def chosen(self) -> str:
        """`SUBJECT/ITEM` under the cursor; no item where all of a subject is done."""
        return self.query_one("#checks", Rows).chosen if self.in_night else ""

    def chosen_prop(self) -> str:
        subject = self.chosen.partition("/")[0]
        return subject if self.desk.store.prop(subject) else ""

    def subject(self, action_id: str) -> str:
        store = self.desk.store
        item = store.check(self.chosen)
        match action_id:
            case "check":
                return self.chosen if item is not None and item.ready else ""
            case "uncheck":
                return self.chosen if item is not None and item.done and item.by else ""
            case "open_up":
                ready = any(p.state is PropState.DISARMED for p in store.props)
                return "site" if ready and not store.stop.latched else ""
            case "close_up" | "sign_in":
                return "site"
        return super().subject(action_id)

    def action_everything(self) -> None:
        """Also what is done, or only what is left."""
        self._everything = not self._everything
        self.tick()

    def action_next(self) -> None:
        """The cursor goes to the next item of the walk."""
        self.query_one("#checks", Rows).choose("/".join(self.desk.store.opening.next))

    def on_rows_chosen(self) -> None:
        """Other keys work on another row."""
        self.tick()

    def on_rows_opened(self, event: Rows.Opened) -> None:
        """Enter does what the row is for: run the test first, then say that it was watched."""
        if self.subject("check"):
            self.post_message(AskFor("check"))
        elif (item := self.desk.store.check(event.key)) and item.item == "tested" and not item.done:
            self.post_message(AskFor("test"))


class Sum(Lines):
    """How far the check has come."""

    def __init__(self, place: OpeningPlace) -> None:
        super().__init__(id="sum")
        self._place = place

    def make(self, width: int) -> list[Line]:
        place = self._place
        if not place.in_night:
            return []
        low = place.size.height < 20
        return sum_lines(place.desk.store.opening, place.titles, width, low=low)


class Todo(Lines):
    """What the chosen item wants."""

    def __init__(self, place: OpeningPlace) -> None:
        super().__init__(id="todo")
        self._place = place

    def make(self, width: int) -> list[Line]:
        place = self._place
        if not place.in_night:
            return []
        rows = 1 if place.size.height < 20 else 2
        return todo_lines(place.desk.store.check(place.chosen), width, rows)
