"""What the engine writes down for upkeep, and what it shows of it."""

from __future__ import annotations

import datetime as dt
import json
import queue
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from console.engine import events as ev
from console.engine import upkeep_watch
from console.engine.upkeep_watch import UpkeepWatch
from console.ledger.entries import RunKind
from console.ledger.upkeep import UpkeepReader
from console.views.models import PropFlag
from tests.engine.night import Night, SimulatedBoard
from tests.engine.sites import made
from tests.proof.wearing_site import SECOND_NS, Book, make_site, opens_ns, site_text


@pytest.fixture
def here() -> Iterator[Night]:
    """A night on one simulated board, everything live."""
    folder = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
    night = Night(made(folder, 1), folder, SimulatedBoard, seed=3)
    night.until(night.live)
    yield night
    night.close()
    shutil.rmtree(folder, ignore_errors=True)


def armed_ms(night: Night) -> dict[int, int]:
    """Milliseconds armed by night, as the ledger has them."""
    with UpkeepReader.open(night.path) as reader:
        return reader.run_times(RunKind.ARMED).get("prop-1", {})


def test_hours_armed_are_counted_in_the_night_they_belong_to(here: Night) -> None:
    """Armed, running and resting count; disarmed does not; closing writes what is left."""
    here.ask("open_night", by="mara")
    here.run(60_000)
    here.arm_all()
    here.run(400_000)
    here.trigger("board-1")
    here.run(20_000)
    here.ask("disarm", props=["prop-1"])
    here.run(120_000)
    here.ask("close_night", by="mara")
    here.run(1_000)
    found = armed_ms(here)
    assert found.keys() == {1}
    assert found[1] == pytest.approx(420_000, abs=3_000)


def test_what_a_look_found_stands_beside_the_state(here: Night) -> None:
    """Flags come with a look and go with the next one."""
    here.feed(ev.UpkeepLooked(frozenset({"prop-1"}), frozenset({"prop-1"})))
    here.run(500)
    flags = here.prop("prop-1").flags
    assert PropFlag.SERVICE_DUE in flags
    assert PropFlag.SLOWING in flags
    here.feed(ev.UpkeepLooked(frozenset(), frozenset()))
    here.run(500)
    assert not {PropFlag.SERVICE_DUE, PropFlag.SLOWING} & set(here.prop("prop-1").flags)


def test_sites_parts_and_corrections_are_taken_by_the_engine(here: Night) -> None:
    """A refusal says what is wrong; what is taken on is in the ledger."""
    asked = {"prop": "prop-1", "part": "no-such-part", "kind": "service", "by": "mara", "note": ""}
    assert not here.ask("service", **asked)["ok"]
    with UpkeepReader.open(here.path) as reader:
        assert reader.service() == []


@pytest.fixture
def worn(tmp_path: Path) -> Path:
    """Two props: upkeep of the first is due, the second is slowing."""
    service = "  oil: {title: Oil the rod, part: cylinder, strokes: 1000, props: [prop-1]}"

    days = [(dt.date(2026, 9, 1 + n), 4) for n in range(8)]
    make_site(tmp_path, site_text(2, days, service=service))
    book = Book(tmp_path / "works.ledger")
    for night, (day, _) in enumerate(days):
        opened = book.open_night(day)
        for prop in ("prop-1", "prop-2"):
            slow = 1.3 if prop == "prop-2" and night >= 4 else 1.0
            book.write(
                book.cycle(prop, opened + at * 100 * SECOND_NS, 500 * slow + at % 7, 700 + at % 5)
                for at in range(60)
            )
            book.write([book.stroke(prop, 130, opened + 6000 * SECOND_NS)])
        book.close_night(opens_ns(day) + 4 * 3600 * SECOND_NS)
    book.ledger.close()
    return tmp_path


def test_the_look_names_props_in_a_process_of_its_own(worn: Path) -> None:
    """One JSON object; a ledger that is none gives one line and code 2."""
    command = [sys.executable, "-m", "console.upkeep.flags", str(worn / "site.yaml")]
    said = subprocess.run([*command, str(worn / "works.ledger")], capture_output=True, check=True)
    assert json.loads(said.stdout) == {"due": ["prop-1"], "slowing": ["prop-2"]}
    failed = subprocess.run([*command, str(worn / "none")], capture_output=True, check=False)
    assert failed.returncode == 2
    assert b"Traceback" not in failed.stderr


def test_the_watch_tells_the_loop_and_ends_at_once(
    worn: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it finds arrives as an event; ending leaves no process behind."""
    monkeypatch.setattr(upkeep_watch, "FIRST_S", 0.05)
    heard: queue.SimpleQueue[object] = queue.SimpleQueue()
    watch = UpkeepWatch(worn / "site.yaml", worn / "works.ledger", heard.put)
    assert heard.get(timeout=60) == ev.UpkeepLooked(frozenset({"prop-1"}), frozenset({"prop-2"}))
    watch.end()
    slow = UpkeepWatch(worn / "site.yaml", worn / "works.ledger", heard.put)
    slow.end()
    assert not slow._thread.is_alive()
    assert slow._looking is None
