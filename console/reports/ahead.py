"""What the ledger says, as it stood when a night ended, of the night after it."""

from __future__ import annotations

from collections.abc import Sequence

from console.reports.kinds import Value
from console.rules.forecast import FEW_NIGHTS
from console.rules.upkeep import Standing, Unit
from console.upkeep.outlook import Due, Outlook, Stock

Row = tuple[Value, ...]

LEAST_CHANCE = 0.1
"""What comes due with a smaller chance before the next night ends can wait for it."""
CONFIDENCE = 0.95
"""That the spares of each kind are enough, as `sexton upkeep spares` takes it."""
_NO_NIGHT = "The calendar of the site file has no night ahead."


def coming(outlook: Outlook) -> list[Due]:
    """The upkeep that belongs before the next night, the surest first."""
    return [
        due
        for due in outlook.due()
        if due.standing is Standing.DUE or (due.forecast.chance_next or 0.0) >= LEAST_CHANCE
    ]


def due_row(due: Due) -> Row:
    """A piece of upkeep as the report's section has it."""
    mark, on = due.nearest, due.forecast.on
    counted = mark is not None and mark.unit is not Unit.DATE
    return (
        due.id,
        due.task.title,
        None if due.standing is Standing.FINE else due.standing.value,
        due.forecast.chance_next,
        None if on is None else on.isoformat(),
        mark.used if mark and counted else None,
        mark.limit if mark and counted else None,
        None if mark is None else mark.unit.value,
        None if due.last is None else due.last.wall_ns,
    )


def stocks(outlook: Outlook) -> list[Stock]:
    """Every kind of part, for all the nights left in the calendar; none without a night left."""
    nights = len(outlook.ahead)
    return outlook.stocks(nights, CONFIDENCE) if nights else []


def spares_rows(found: Sequence[Stock]) -> tuple[Row, ...]:
    """The kinds of which spares are needed."""
    return tuple(
        (
            stock.name,
            stock.kind,
            stock.need.bring,
            stock.need.in_use,
            stock.need.mean,
            stock.need.chance_enough,
            stock.life.ground.value,
        )
        for stock in found
        if stock.need.bring
    )


def due_note(outlook: Outlook, found: Sequence[Due]) -> str:
    """Which night is meant, and how far the chances can be relied on."""
    if not outlook.ahead:
        return _NO_NIGHT
    said = (
        f"Listed is what is due, or with a chance of {LEAST_CHANCE * 100:.0f} % or more will be "
        f"before the night of {outlook.ahead[0].date.isoformat()} ends."
    )
    few = any(due.forecast.few for due in found)
    return f"{said} Fewer than {FEW_NIGHTS} nights tell the chances." if few else said


def spares_note(outlook: Outlook, found: Sequence[Stock]) -> str:
    """For how long they are meant, and of which kinds nothing is known."""
    nights = len(outlook.ahead)
    if not nights:
        return _NO_NIGHT
    said = (
        f"For the {nights} nights left in the calendar of the site file, enough of each kind with "
        f"a chance of {CONFIDENCE * 100:.0f} %."
    )
    unknown = ", ".join(stock.name for stock in found if stock.need.bring is None)
    if not unknown:
        return said
    return f"{said} Neither replacements nor the maker's B10 tell of: {unknown}."
