"""How the shell's commands put one request to a running engine and say what it refused."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from console.launch import Running
    from console.views.client import Reply

Answer = TypeVar("Answer")


def ask(site: str | None, action: str, args: Mapping[str, object]) -> Reply:
    """Ask the engine of `site`, or the only one. Raises NoEngine, or UserError for several."""
    from console.launch import find_engine
    from console.views.client import call

    return reach(find_engine(site), lambda socket: call(socket, action, args))


def reach(engine: Running, how: Callable[[Path], Answer]) -> Answer:
    """What `how` gets from the engine's socket. Raises NoEngine where it does not answer."""
    from console.errors import NoEngine

    try:
        return how(engine.folder.socket)
    except OSError as error:
        raise NoEngine(
            f"the engine of {engine.site} does not answer: {error}",
            "Ask again; if it stays silent, end it and start it anew.",
        ) from None


def refusal_lines(reply: Reply) -> list[str]:
    """Every reason with its remedy, a line each."""
    from console.rules.text import plain

    return [
        plain(f"{each.reason} → {each.remedy}", 400)
        for several in reply.refused.values()
        for each in several
    ]
