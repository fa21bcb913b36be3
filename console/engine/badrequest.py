"""A request that makes no sense."""

from __future__ import annotations

from collections.abc import Mapping

from console.views.models import Refusal

_UNKNOWN = "Ask with the names that the site file gives; `sexton status` lists them."


class BadRequest(Exception):
    """The request makes no sense; the refusal says why."""

    def __init__(self, reason: str, remedy: str = _UNKNOWN) -> None:
        super().__init__(reason)
        self.refusal = Refusal("request", reason, remedy)


def text_of(args: Mapping[str, object], name: str) -> str:
    """A text among the arguments; raises BadRequest where it is missing."""
    value = args.get(name)
    if not isinstance(value, str) or not value.strip():
        raise BadRequest(f"`{name}` is missing", "Say it as text.")
    return value[:400]
