"""What a request says of a group, checked."""

from __future__ import annotations

from console.engine.badrequest import BadRequest
from console.rules.groups.group import DEFAULT_SIZE, LARGEST_SIZE
from console.site.kinds import Strength


def strength_of(value: object) -> Strength:
    """A strength by its word."""
    try:
        return Strength(str(value))
    except ValueError:
        known = ", ".join(s.value for s in Strength)
        raise BadRequest(
            f"there is no strength {str(value)[:40]!r}", f"Known are {known}."
        ) from None


def size_of(value: object) -> int:
    """How many guests; the usual number where nothing is said."""
    if value is None or value == "":
        return DEFAULT_SIZE
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= LARGEST_SIZE:
        raise BadRequest(
            f"{str(value)[:40]!r} is no size of a group", f"A number from 1 to {LARGEST_SIZE}."
        )
    return value


def words_of(value: object) -> frozenset[str]:
    """A list of words."""
    if value is None:
        return frozenset()
    if not isinstance(value, list | tuple) or not all(isinstance(w, str) for w in value):
        raise BadRequest("`exclude` must be a list of words", "Such as strobe, loud, fog.")
    return frozenset(w.strip()[:40] for w in value if w.strip())
