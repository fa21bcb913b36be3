"""Groups from the walk screen: one key to correct, two to send, and the all-stop bar in sight."""

from __future__ import annotations

import pytest

from console.screens.bar import StopBar
from tests.screens.screens_scene import scene


@pytest.mark.parametrize(
    ("key", "to"), [("right_square_bracket", "on"), ("left_square_bracket", "back")]
)
async def test_one_key_puts_the_chosen_group_one_zone_on_or_back(key: str, to: str) -> None:
    """The group under the cursor is corrected without a question."""
    play = scene()
    async with play.console.run_test(size=(80, 24)) as pilot:
        await pilot.press("6")
        await pilot.pause(0.4)
        await pilot.press(key)
        await pilot.pause(0.1)
    assert play.engine.asked[-1] == ("correct_group", {"group": 14, "zone": to})


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (60, 15)])
async def test_the_all_stop_is_in_sight_on_the_walk_and_its_question(size: tuple[int, int]) -> None:
    """On the walk and above it the bar stays whole at every size."""
    play = scene()
    async with play.console.run_test(size=size) as pilot:
        await pilot.press("6")
        await pilot.pause(0.4)
        for keys in ((), ("g",)):
            for key in keys:
                await pilot.press(key)
            await pilot.pause(0.2)
            bar = play.console.screen.query_one(StopBar)
            assert bar.region.height >= 1
            assert bar.region.bottom <= size[1]
            assert bar.region.width == size[0]
