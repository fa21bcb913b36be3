"""What the ledger keeps of groups: tonight's numbers after a restart, walking times for later."""

from __future__ import annotations

from pathlib import Path

import pytest

from console.engine.groupbook import LEFT, book_of, past_of, spans_from
from console.ledger.reader import Reader
from console.ledger.rows import Filter
from console.rules.groups.pace import learned
from console.rules.groups.walk import walk_of
from drivers.firmware.build import NoCompiler
from tests.engine.night import FirmwareBoard, Night
from tests.groups.groupsite import ZONES, made
from tests.tools import missing


@pytest.fixture
def night(tmp_path: Path) -> Night:
    """An open night on the three zones, everything armed."""
    try:
        night = Night(made(tmp_path), tmp_path, FirmwareBoard, durable=False)
    except NoCompiler as error:
        missing(str(error))
    night.until(night.live)
    assert night.ask("open_night", by="mara")["ok"]
    night.arm_all()
    return night


def walk_through(night: Night, leg_ms: float) -> None:
    """A group that trips the three mats, each a leg after the one before."""
    for n in range(len(ZONES)):
        night.after(leg_ms * (n + 0.5), lambda n=n: night.trigger(f"board-{n + 1}"))
    night.run(leg_ms * 3 + 60_000)


def test_groups_teach_the_nights_to_come_how_long_each_zone_takes(night: Night) -> None:
    """Five groups at 60 s a zone, where the site file says 40 s, are what a new engine expects."""
    for _ in range(5):
        assert night.ask("send_group", strength="mild", size=3)["ok"]
        walk_through(night, 60_000)
    night.run(1000)
    with Reader.open(night.path) as reader:
        past = past_of(reader, 1)
        rows = list(reader.events(Filter(kind=LEFT)))
    night.close()
    walk = walk_of(night.site)
    times = learned(walk, spans_from(walk, past.left, None)).zone_times_ms()
    assert times["hall"] == pytest.approx(60_000, rel=0.02)
    assert [row.subject for row in rows] == [f"group/{n}" for n in range(1, 6)]
    book = book_of(past)
    assert (book.groups, book.guests, len(book.through_ms)) == (5, 15, 5)
    assert book.longest_wait_ms == pytest.approx(240_000, abs=2000)


def test_missed_triggers_are_counted_by_prop_and_reason(night: Night) -> None:
    """A trigger while a prop rests is counted in the crowd, and by a later engine."""
    night.trigger("board-1")
    night.run(1500)
    night.trigger("board-1")
    night.run(1500)
    view = night.core.view("crowd")
    assert view.missed == (("yard-prop", "resting", 1),)  # type: ignore[union-attr]
    with Reader.open(night.path) as reader:
        assert book_of(past_of(reader, 1)).missed == {("yard-prop", "resting"): 1}
    night.close()


def test_walking_times_survive_a_site_file_with_other_props(night: Night) -> None:
    """A prop that is gone takes only its own spans along."""
    walk_rows = []
    night.ask("send_group", strength="mild", size=3)
    walk_through(night, 60_000)
    with Reader.open(night.path) as reader:
        walk_rows = list(reader.events(Filter(kind=LEFT)))
    night.close()
    site = night.site
    fewer = site.model_copy(update={"props": tuple(p for p in site.props if p.zone != "hall")})
    spans = spans_from(walk_of(fewer), walk_rows, None)
    assert [(s.begin, s.end) for s in spans] == [(-1, 0), (0, 1)]
    assert spans[1].ms == pytest.approx(120_000, abs=500)
