"""The season's leak tests on the air screen, at three sizes, with the stop bar below."""

from __future__ import annotations

import pytest

from console.errors import UserError
from console.screens.bar import StopBar
from console.screens.leak_plot import LeakPlot, leak_lines
from console.screens.text import text_of
from console.stopbar import LABEL
from console.views.records import LeakTestRecord
from tests.screens.screens_scene import scene, shown


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (60, 15)])
async def test_y_shows_the_leak_tests_and_takes_them_away(size: tuple[int, int]) -> None:
    """Newest first with their marks in words, the plot where there is room, the bar in place."""
    play = scene()
    async with play.console.run_test(size=size) as pilot:
        await pilot.pause(0.2)
        await pilot.press("7", "y")
        await pilot.pause(0.6)
        text = "\n".join(shown(play.console))
        assert "Leak tests, newest first" in text
        assert "poorly kept" in text
        assert play.console.screen.query_one(LeakPlot).display is (size[1] >= 18)
        bar = play.console.screen.query_one(StopBar)
        assert bar.region.y == size[1] - 1
        assert LABEL.strip() in shown(play.console)[-1]
        await pilot.press("y")
        await pilot.pause(0.3)
        assert "Taken since the engine started" in "\n".join(shown(play.console))


async def test_a_ledger_that_cannot_be_read_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """The message and its remedy stand where the tests would."""
    play = scene()

    def broken() -> list[LeakTestRecord]:
        raise UserError("the ledger is damaged", "salvage it")

    monkeypatch.setattr(play.records, "leak_tests", broken)
    async with play.console.run_test(size=(80, 24)) as pilot:
        await pilot.pause(0.2)
        await pilot.press("7", "y")
        await pilot.pause(0.5)
        assert "the ledger is damaged: salvage it" in "\n".join(shown(play.console))


def test_tests_without_a_compressor_have_no_share() -> None:
    """The leak itself is told; nothing is drawn of it, and hostile names stay plain."""
    rows = leak_lines([LeakTestRecord(10**18, 0.7, None, "[b]x\x1b[31m")], "", 80, 5)
    text = text_of(rows)
    assert "0.70 cfm" in text
    assert "\x1b" not in text
    assert text_of(leak_lines([], "No leak test yet.", 80, 5)) == "No leak test yet."
