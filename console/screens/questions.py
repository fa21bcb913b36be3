"""What the operator is asked before a request goes out: the words that all questions share."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from typing import Any

from textual.app import App

from console.screens.base import Place
from console.screens.desk import Desk
from console.screens.dialogs import Choice, Choose, Confirm, Field, Form

Args = dict[str, object]
Question = Callable[[Place], Awaitable[Args | None]]
"""Asks the operator; the arguments of the request, or None where nothing is to be asked for."""

SECOND_KEY_S = 8.0
"""How long a second key is waited for."""


class Questions:
    """Dialogs, awaited. Each kind of question has a class of its own below this one."""

    def __init__(self, app: App[Any], desk: Desk) -> None:
        self._app = app
        self.desk = desk

    def table(self) -> dict[str, Question]:
        """The questions by action."""
        raise NotImplementedError

    async def sure(self, title: str, *texts: str, patience_s: float | None = None) -> bool:
        """One more key."""
        dialog = Confirm(self.desk, title, texts, patience_s=patience_s)
        return await self._app.push_screen_wait(dialog)

    async def choose(self, title: str, choices: Sequence[Choice], *texts: str) -> str | None:
        """One of several."""
        return await self._app.push_screen_wait(Choose(self.desk, title, choices, texts))

    async def form(self, title: str, texts: Sequence[str], *fields: Field) -> dict[str, str] | None:
        """A few lines; a name that was given is offered the next time."""
        values = await self._app.push_screen_wait(Form(self.desk, title, texts, fields))
        if values and values.get("by"):
            self.desk.who = values["by"]
        return values

    def name(self) -> Field:
        """Who asks."""
        return Field("by", "Your name", self.desk.who)
