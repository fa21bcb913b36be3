"""The site file judged by physics: small functions over the draft, like `console.site.checks`.

Each says the number, the limit and what would put it right. What the file leaves out is not
guessed: a motion without a cylinder, a valve without a Cv yield no finding.
"""

from __future__ import annotations

from console.rules.physics import demand, pushing, supplies, swinging, timing
from console.site.checks import Check

CHECKS: tuple[Check, ...] = (
    *pushing.CHECKS,
    *swinging.CHECKS,
    *timing.CHECKS,
    *supplies.CHECKS,
    *demand.CHECKS,
)
"""All of them; findings are sorted by line."""
