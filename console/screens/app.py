"""The console: which screens there are, the stop keys, and one tick four times a second."""

from __future__ import annotations

import time
from collections.abc import Callable, Coroutine
from contextlib import suppress
from functools import partial
from typing import Any, ClassVar

from textual.app import App
from textual.binding import BindingType
from textual.css.query import NoMatches
from textual.screen import Screen

from console.actions import BY_ID
from console.screens.air import Air
from console.screens.alarms import Alarms
from console.screens.asking import Asker, able
from console.screens.base import AskFor, Dialog, Place
from console.screens.bindings import stop_bindings, tour_bindings
from console.screens.commands import Commands
from console.screens.desk import Desk
from console.screens.dialogs import Confirm
from console.screens.floor import Floor, OpenProp
from console.screens.foot import Keys
from console.screens.help import AllKeys, Help
from console.screens.ledger import Ledger
from console.screens.opening import OpeningPlace
from console.screens.palette import THEME
from console.screens.part import PartPlace
from console.screens.prop import PropPage
from console.screens.season import Season
from console.screens.stop import StopPlace
from console.screens.tour import Stage
from console.screens.tour_steps import Sight
from console.screens.upkeep import OpenPart, Upkeep
from console.screens.walk import Walk
from console.screens.why import LastAnswer

TICK_S = 0.25
"""Four looks a second: faster costs a core on a small machine and shows nobody more."""

PLACES: dict[str, type[Place]] = {
    "floor": Floor,
    "stop": StopPlace,
    "alarms": Alarms,
    "ledger": Ledger,
    "upkeep": Upkeep,
    "walk": Walk,
    "air": Air,
    "season": Season,
    "opening": OpeningPlace,
}
"""The screens that have a key of their own."""


class Console(App[int], inherit_bindings=False):
    """Looks and asks. It can be closed, frozen or killed, and the props never notice.

    `follow` keeps `desk.store` up to date for as long as the console runs.
    """

    TITLE = "Sexton"
    ENABLE_COMMAND_PALETTE = False
    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (100, "-wide")]  # noqa: RUF012
    VERTICAL_BREAKPOINTS = [(0, "-low"), (20, "-middle"), (34, "-tall")]  # noqa: RUF012
    BINDINGS: ClassVar[list[BindingType]] = [*stop_bindings(), *tour_bindings()]

    def __init__(
        self, desk: Desk, follow: Callable[[], Coroutine[Any, Any, None]] | None = None
    ) -> None:
        super().__init__()
        self.register_theme(THEME)
        self.theme = THEME.name
        self.desk = desk
        self._asker = Asker(self, desk)
        self._follow = follow

    def on_mount(self) -> None:
        """Open the floor, begin to look."""
        for name, place in PLACES.items():
            self.add_mode(name, partial(place, self.desk))
        self.switch_mode("floor")
        self.set_interval(TICK_S, self.tick)
        if self._follow is not None:
            self.run_worker(self._follow(), group="follow")

    def tick(self) -> None:
        """Let what is on the screen follow what is known; the one below a dialog too."""
        if self.desk.tour.stage in (Stage.UNDER_WAY, Stage.DONE):
            self.desk.tour.look(self.sight())
        for screen in self.screen_stack[-2:]:
            if isinstance(screen, Place | Dialog):
                screen.tick()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Whether a key would do something: footer, help and palette show only those."""
        if action == "ask" and parameters:
            asked = BY_ID[str(parameters[0])]
            place = self.screen
            return isinstance(place, Place) and self._asker.knows(asked) and able(asked, place)
        if action == "go" and parameters:
            return parameters[0] != self.current_mode or len(self.screen_stack) > 1
        if action == "answer":
            return self.desk.notice is not None
        if action == "tour":
            # A dialog is no place to begin in.
            begins = isinstance(self.screen, Place) and self.desk.tour.may_begin(self.desk.store)
            return self.desk.tour.step is not None or begins
        if action == "end_tour":
            return self.desk.tour.shown(self.desk.store)
        return super().check_action(action, parameters)

    def action_all_stop(self, source: str) -> None:
        """Stop everything. Nothing is asked and nothing is waited for."""
        self.desk.stopper.press(source, self.desk.who)

    def action_ask(self, action_id: str, subject: str = "") -> None:
        """Ask for an action, beside everything else that goes on."""
        place = self.screen
        if isinstance(place, Place):
            self.run_worker(self._asker.ask(BY_ID[action_id], place, subject), group="ask")

    def on_ask_for(self, event: AskFor) -> None:
        """The same from a widget."""
        self.action_ask(event.action_id, event.subject)

    def on_open_prop(self, event: OpenProp) -> None:
        """A prop's own page above the floor."""
        self.push_screen(PropPage(self.desk, event.prop))

    def on_open_part(self, event: OpenPart) -> None:
        """A part's own page above the list."""
        self.push_screen(PartPlace(self.desk, event.subject))

    def action_go(self, place: str) -> None:
        """One of the screens with a key of its own; a prop's page above the floor is closed."""
        if place != self.current_mode:
            self.switch_mode(place)
        while isinstance(self.screen, PropPage) and place == "floor":
            self.pop_screen()

    def action_help(self) -> None:
        """Help for the screen one is on."""
        place = self.screen
        if isinstance(place, Place):
            usable = place.query_one(Keys).usable()
            page = Help(self.desk, place.title_text, place.help_text, usable)
            self.push_screen(page, lambda _: self.desk.did.update(["help"]))

    def action_answer(self) -> None:
        """The last answer in full."""
        if self.desk.notice is not None:
            self.push_screen(LastAnswer(self.desk, self.desk.notice))

    def action_all_keys(self) -> None:
        """Every key of every screen."""
        self.push_screen(AllKeys(self.desk))

    def action_palette(self) -> None:
        """Find a command by name and run it on the screen below."""
        place: Screen[object] = self.screen
        if isinstance(place, Place):
            self.run_worker(self._command(place), group="ask")

    async def _command(self, place: Place) -> None:
        usable = place.query_one(Keys).usable()
        if action := await self.push_screen_wait(Commands(self.desk, usable)):
            await self.run_action(action, place)

    def action_tour(self) -> None:
        """Begin the tour of the keys, or go on in it."""
        tour = self.desk.tour
        if tour.step is None:
            tour.begin(self.sight())
        else:
            tour.next(self.sight())
        self.tick()

    def action_end_tour(self) -> None:
        """Leave the tour, or do without it."""
        self.desk.tour.end()
        self.tick()

    def sight(self) -> Sight:
        """What the tour sees of this console now."""
        desk, place, prop = self.desk, "", ""
        top = self.screen.title_text if isinstance(self.screen, Place | Dialog) else ""
        for screen in self.screen_stack:
            if isinstance(screen, Place):
                place = screen.title_text
                # It may meet a screen whose widgets are just being taken away.
                with suppress(NoMatches):
                    prop = screen.chosen_prop()
        pressed = desk.stopper.unsent or desk.stopper.unanswered_s > 0
        return Sight(desk.store, top, place, prop, desk.did, pressed, time.monotonic())

    def action_leave(self) -> None:
        """Close this console; asks while a night is open. The engine goes on either way."""
        if self.desk.store.site.night is None or not self.desk.store.linked:
            self.exit(0)
        else:
            self.run_worker(self._leave(), group="ask")

    async def _leave(self) -> None:
        texts = [
            "The engine goes on and the props with it; with no console open it raises an alarm "
            "after a minute. `sexton attach` opens one again.",
            "Enter leaves; Esc stays.",
        ]
        if await self.push_screen_wait(Confirm(self.desk, "A night is open. Leave?", texts)):
            self.exit(0)
