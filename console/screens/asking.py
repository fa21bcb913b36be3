"""From a key to a request: what is asked of the operator first, and what becomes of the answer.

Each request runs in a worker of its own, so that no dialog and no slow engine delays a key.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from textual.app import App

from console.actions import Action, Scope
from console.screens.base import Place
from console.screens.desk import Desk, Notice
from console.screens.group_questions import GroupQuestions
from console.screens.night_questions import NightQuestions
from console.screens.opening_questions import OpeningQuestions
from console.screens.prop_questions import PropQuestions, overridable
from console.screens.questions import Args, Question
from console.screens.site_questions import SiteQuestions
from console.screens.tag_questions import HoldToRun, TagQuestions
from console.screens.text import count_of
from console.screens.why import Why
from console.views.client import Reply
from console.views.models import LinkState, PropState

_ON_TAGS = ("untag", "hand_over_tag", "lift_tag", "test_break")


def able(action: Action, place: Place) -> bool:
    """Whether asking for `action` from `place` could do anything; permits are the engine's."""
    desk = place.desk
    store = desk.store
    prop = store.prop(place.chosen_prop())
    targets = [p for name in place.targets() if (p := store.prop(name))]
    checks: dict[str, Callable[[], bool]] = {
        "mend": lambda: prop is not None and prop.state is PropState.FAULT,
        "rearm": lambda: bool(store.site.rearm) and not store.stop.latched,
        "clear": lambda: store.stop.latched or bool(store.stop.strays),
        "leave_out": lambda: store.stop.latched and bool(place.subject("leave_out")),
        "open_night": lambda: store.site.night is None and store.linked,
        "close_night": lambda: store.site.night is not None,
        "pause": lambda: store.site.night is not None and not store.site.paused,
        "resume": lambda: store.site.paused,
        "note": lambda: store.linked,
        **{
            name: partial(_leads, place, name)
            for name in ("check", "uncheck", "open_up", "close_up", "sign_in")
        },
        "recheck": lambda: prop is not None and store.site.night is not None,
        "hand_over": lambda: store.linked,
        "acknowledge": lambda: bool(place.subject("acknowledge")),
        "upload": lambda: any(c.link is LinkState.DIFFERS for c in store.controllers),
        "service": lambda: bool(place.subject("service")),
        "leak_test": lambda: store.air is not None or store.check("site/leak-test") is not None,
        "send_group": lambda: store.headway is not None,
        "repeat_group": lambda: store.headway is not None and store.headway.last_number > 0,
        "correct_group": lambda: bool(store.groups),
        "quiet_zone": lambda: bool(place.subject("quiet_zone") and store.groups),
        "release_switch": lambda: any(p.by_hand for p in targets),
        **dict.fromkeys(_ON_TAGS, lambda: prop is not None and bool(prop.tags)),
        "override": lambda: prop is not None and bool(overridable(prop)),
        "rain": lambda: any(p.outdoor for p in store.props),
    }
    if action.id in checks:
        return checks[action.id]()
    return bool(targets) if action.scope is Scope.PROPS else prop is not None


def _leads(place: Place, action_id: str) -> bool:
    """What belongs to the opening check is offered where it stands, on its screen."""
    return bool(place.subject(action_id)) and place.desk.store.site.night is not None


class Asker:
    """Asks on behalf of the screens of one console."""

    def __init__(self, app: App[Any], desk: Desk) -> None:
        self._app = app
        self._desk = desk
        self._questions: dict[str, Question] = {
            **PropQuestions(app, desk).table(),
            **SiteQuestions(app, desk).table(),
            **GroupQuestions(app, desk).table(),
            **TagQuestions(app, desk).table(),
            **NightQuestions(app, desk).table(),
            **OpeningQuestions(app, desk).table(),
        }

    def knows(self, action: Action) -> bool:
        """Whether there are words for asking it, where it needs any."""
        return action.id in self._questions or (action.scope is not Scope.SITE and not action.needs)

    async def ask(self, action: Action, place: Place, subject: str = "") -> None:
        """Ask the operator what is wanted, then the engine.

        `subject` stands for what the cursor of `place` is on.
        """
        if action.id == "why":
            await self._app.push_screen_wait(Why(self._desk, place.chosen_prop()))
            self._desk.did[action.id] += 1
            return
        args: Args | None = {"alarm": subject}
        if not subject or action.id != "acknowledge":
            args = await self._arguments(action, place)
        if args is not None:
            answer = await self._desk.engine.request(action.id, **args)
            self._desk.notice = notice_of(action, args, answer)
            if answer.ok:
                self._desk.did[action.id] += 1
                if action.id == "fire" and place.own_page:
                    self._desk.fired_from_page(str(args["prop"]))
                if action.id == "test_break":
                    holding = HoldToRun(self._desk, str(args["prop"]), str(args["output"]))
                    await self._app.push_screen_wait(holding)
                place.asked()
        place.tick()

    async def _arguments(self, action: Action, place: Place) -> Args | None:
        if action.id in self._questions:
            return await self._questions[action.id](place)
        if action.scope is Scope.PROPS:
            return {"props": place.targets()}
        return {"prop": place.chosen_prop()}


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
