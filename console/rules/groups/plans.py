"""Which of several sequences of one strength comes next, so that nobody outside hears a pattern."""

from __future__ import annotations

from collections.abc import Sequence
from random import Random

from console.site.kinds import Plan


class Plans:
    """Remembers what each prop played last. A pick stands until the prop has played."""

    def __init__(self, random: Random) -> None:
        self._random = random
        self._last: dict[str, str] = {}
        self._picked: dict[str, dict[tuple[str, ...], str]] = {}

    def pick(self, prop: str, plan: Plan, default: str, options: Sequence[str]) -> str:
        """The one of `options` to play next; they are in the order of the file and never empty."""
        among = tuple(options)
        standing = self._picked.setdefault(prop, {})
        if among not in standing:
            standing[among] = self._choose(prop, plan, default, among)
        return standing[among]

    def played(self, prop: str, sequence: str) -> None:
        """A prop has begun a cycle of this sequence."""
        self._last[prop] = sequence
        self._picked.pop(prop, None)

    def _choose(self, prop: str, plan: Plan, default: str, among: tuple[str, ...]) -> str:
        last = self._last.get(prop)
        if plan is Plan.FIXED:
            return default if default in among else among[0]
        if plan is Plan.IN_TURN:
            return among[(among.index(last) + 1) % len(among)] if last in among else among[0]
        return self._random.choice([name for name in among if name != last] or list(among))
