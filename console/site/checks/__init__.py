"""What is checked of a site beyond the shape of its file: small functions over the draft.

Each takes a `Draft`, looks at `draft.site`, and yields a `Problem` made by `draft.problem` at the
path in the file that it concerns.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from console.site.checks import boards, claims, movement, outfit, references, stepping
from console.site.draft import Draft
from console.site.problems import Problem

Check = Callable[[Draft], Iterable[Problem]]

CHECKS: tuple[Check, ...] = (
    *references.CHECKS,
    *claims.CHECKS,
    *boards.CHECKS,
    *outfit.CHECKS,
    *stepping.CHECKS,
    *movement.CHECKS,
)
"""All of them, in no particular order; findings are sorted by line."""
