"""Every reason and every alarm tells the operator what to do."""

from __future__ import annotations

import pytest

from console.actions import ACTIONS
from console.rules.alarms import TABLE, Kind
from console.rules.permits import CHECKS
from console.rules.remedies import REASONS
from drivers.words import Reason


@pytest.mark.parametrize("reason", list(Reason))
def test_every_reason_of_a_board_has_a_remedy(reason: Reason) -> None:
    """A board can refuse for no reason that an operator isn't told how to put right."""
    assert REASONS[reason].reason
    assert REASONS[reason].remedy.endswith(".")


@pytest.mark.parametrize("kind", list(Kind))
def test_every_alarm_has_a_row(kind: Kind) -> None:
    """Each kind of alarm has a priority, a remedy and a condition under which it goes away."""
    row = TABLE[kind]
    assert row.remedy.endswith(".")
    assert row.clears.startswith("when ")
    assert row.seen_first == (row.clears == "when acknowledged")


@pytest.mark.parametrize("action", ACTIONS, ids=lambda a: a.id)
def test_every_permit_that_an_action_names_is_a_check(action) -> None:
    """The table of actions names no check that nobody wrote."""
    assert set(action.permits) <= set(CHECKS)
