"""What all screens and all dialogs have: head, answer, keys, and the all-stop bar below."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Any, ClassVar, TypeVar

from textual import events
from textual.app import ComposeResult
from textual.await_complete import AwaitComplete
from textual.binding import BindingType
from textual.containers import Vertical, VerticalScroll
from textual.css.query import NoMatches
from textual.message import Message
from textual.screen import ModalScreen, Screen
from textual.widget import Widget

from console.screens.bar import StopBar
from console.screens.bindings import EVERYWHERE, PLACES, SITE_ACTIONS, ask_bindings, ways
from console.screens.desk import Desk
from console.screens.foot import Answered, Keys
from console.screens.head import Header, Strip
from console.screens.lines import Lines
from console.screens.tour_line import TourLine

STYLES = Path(__file__).parent / "styles"

Result = TypeVar("Result")


class AskFor(Message):
    """A widget asks for an action, on a subject of its own where `subject` is given."""

    def __init__(self, action_id: str, subject: str = "") -> None:
        super().__init__()
        self.action_id = action_id
        self.subject = subject


class Place(Screen[None]):
    """A screen. Subclasses give `title_text`, `help_text` and `body`."""

    ALLOW_MAXIMIZE = False
    ALLOW_SELECT = False
    CSS_PATH = [STYLES / "place.tcss"]  # noqa: RUF012
    BINDINGS: ClassVar[list[BindingType]] = [
        *ask_bindings(SITE_ACTIONS),
        *ways(*PLACES, *EVERYWHERE),
    ]

    title_text = ""
    help_text = ""

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.desk = desk

    def compose(self) -> ComposeResult:
        yield Header(self.desk, self.title_text)
        yield Strip(self.desk)
        with Vertical(id="body"):
            yield from self.body()
        yield Answered(self.desk)
        yield TourLine(self.desk)
        yield Keys()
        yield StopBar(self.desk)

    def body(self) -> ComposeResult:
        """The widgets between head and foot."""
        raise NotImplementedError

    def show(self) -> None:
        """Take what is known into the widgets of the body; called on every tick."""

    def tick(self) -> None:
        """Look at what is known; draw what changed."""
        _look(self)

    def on_screen_resume(self) -> None:
        """What changed while another screen was on top."""
        self.call_after_refresh(self.tick)

    def on_resize(self, event: events.Resize) -> None:
        """Another size gives the widgets other rooms."""
        self.call_after_refresh(self.tick)

    own_page: ClassVar[bool] = False
    """Whether this is the chosen prop's own page."""

    def targets(self) -> list[str]:
        """The props that an action on props acts on."""
        chosen = self.chosen_prop()
        return [chosen] if self.desk.store.prop(chosen) else []

    def chosen_prop(self) -> str:
        """The prop that an action on one prop acts on, empty where there is none."""
        return ""

    def subject(self, action_id: str) -> str:
        """What an action on something else acts on: a controller, an alarm, a part.

        On every screen the alarm in the strip can be acknowledged, and where a prop is chosen its
        zone can be made quiet. On a prop's page the next item of its opening check is at hand.
        """
        prop = self.desk.store.prop(self.chosen_prop())
        if action_id == "quiet_zone" and prop is not None:
            return prop.zone
        if action_id == "check" and self.own_page and prop is not None:
            of = [i for i in self.desk.store.opening.items if i.subject == prop.name and i.ready]
            return f"{of[0].subject}/{of[0].item}" if of else ""
        waiting = [a for a in self.desk.store.alarms if not a.acknowledged]
        return waiting[0].id if action_id == "acknowledge" and waiting else ""

    def asked(self) -> None:
        """A request from here was taken on."""

    def action_back(self) -> None:
        """Take the last answer away; where there is none, go back to the floor."""
        if self.desk.notice is not None:
            self.desk.notice = None
            self.tick()
            return
        self.leave()

    def leave(self) -> None:
        """Where Escape leads from here."""
        self.app.switch_mode("floor")


class Dialog(ModalScreen[Result]):
    """A question above a screen, with its own keys and the all-stop bar below."""

    ALLOW_MAXIMIZE = False
    ALLOW_SELECT = False
    CSS_PATH = [STYLES / "dialog.tcss"]  # noqa: RUF012

    title_text = ""

    def __init__(self, desk: Desk, title: str) -> None:
        super().__init__()
        self.desk = desk
        self.title_text = title
        self._answered = False

    def compose(self) -> ComposeResult:
        with VerticalScroll(id="dialog", can_focus=False):
            yield from self.body()
        yield TourLine(self.desk, dialog=True)
        yield Keys()
        yield StopBar(self.desk)

    def dismiss(self, result: Result | None = None) -> AwaitComplete:
        """Answer once: a second Enter, typed before the first one was seen to, is none."""
        if self._answered:
            return AwaitComplete()
        self._answered = True
        return super().dismiss(result)

    def body(self) -> ComposeResult:
        """The widgets of the question."""
        raise NotImplementedError

    def show(self) -> None:
        """Take what is known into the body; called on every tick."""

    def tick(self) -> None:
        """Look at what is known; draw what changed."""
        _look(self)

    def on_screen_resume(self) -> None:
        """Draw at once."""
        self.call_after_refresh(self.tick)

    def on_descendant_focus(self) -> None:
        """Other keys work in an input."""
        self.query_one(Keys).tick()

    def focus_first(self, widget: Widget) -> None:
        """Put the focus where typing begins."""
        self.call_after_refresh(widget.focus)


def _look(screen: Place | Dialog[Any]) -> None:
    if not screen.is_mounted:
        return
    # A tick may meet a screen whose widgets are just being taken away.
    with suppress(NoMatches):
        screen.show()
        for widget in screen.query(Lines):
            widget.tick()
