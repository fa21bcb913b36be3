"""A short night over pseudo-terminals: real boards, a real engine, and the report in the morning.

Every figure of the report is held against what the boards counted, what was seen at their pins, and
what this script did.
"""

from __future__ import annotations

import json
import math
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from console.places import user_name
from tests.boards import ROOT, Console, Wire, firmware_command
from tests.engine.real import RealSite, until
from tests.opening.opening_sites import OPENING

pytestmark = pytest.mark.timeout(120)

PROPS = ("prop-1", "prop-2", "prop-3")
BOARDS = {prop: f"board-{n}" for n, prop in enumerate(PROPS, start=1)}
GAUGE_PSI = 61
SIZES = (4, 5, 6)
AIR = """\
  compressor: {delivers: 5 scfm, at: 90 psi, cut_in: 90 psi, cut_out: 120 psi}
  leak: 0.4 scfm
"""
CYLINDER = "cylinder: {bore: 1.5 in, stroke: 6 in, rod: 0.375 in, acting: double}"
UPKEEP = """\
service:
  drain: {title: Drain the tank, nights: 1}
"""


def esposito_scf(psi: float) -> float:
    """A stroke out and back: swept volumes x (p + 14.7) / 14.7 in cubic feet.

    A. Esposito, Fluid Power with Applications, equation 13-6, at 68 degF.
    """
    out_in2 = math.pi * 1.5**2 / 4
    back_in2 = out_in2 - math.pi * 0.375**2 / 4
    return (out_in2 + back_in2) * 6 * (psi + 14.7) / 14.7 / 1728


class Yard(RealSite):
    """Three real boards, each on a line of its own, and what a person does at desk and props."""

    def __init__(self, folder: Path) -> None:
        super().__init__(
            folder, firmware_command(), len(PROPS), rules=OPENING.format(required="yes")
        )
        text = self.site.read_text()
        text = text.replace("max_on: 2 s}", f"max_on: 2 s, {CYLINDER}}}")
        text = text.replace(
            "    rest: 200 ms\n",
            "    rest: 200 ms\n    set_pressure: 60 psi\n    min_pressure: 40 psi\n",
        )
        text = text.replace("  isolate: behind the hut\n", f"  isolate: behind the hut\n{AIR}")
        self.site.write_text(text + UPKEEP)
        self.seen = dict.fromkeys(PROPS, 0)

    def sexton(self, *words: str) -> str:
        """One command of the shell, done; what it printed."""
        done = subprocess.run(
            [sys.executable, "-P", "-m", "console.cli", *words],
            cwd=ROOT, capture_output=True, text=True, timeout=30,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        return done.stdout

    def report(self, form: str) -> str:
        """What the night came to; the ledger knows which site file its engine ran."""
        return self.sexton("report", "--ledger", str(self.ledger), "--format", form)

    def cycles(self, prop: str) -> int:
        """How many cycles of this prop the engine knows of."""
        return int(self.view(f"prop/{prop}")["cycles_tonight"])

    def must(self, action: str, **args: object) -> dict[str, Any]:
        """Ask for something that is granted."""
        reply = self.ask(action, **args)
        assert reply.ok, (action, args, reply)
        return dict(reply.result)

    def ran(self, prop: str, before: int) -> None:
        """Wait until its cycle is in the ledger and it can run again."""
        until(lambda: self.cycles(prop) > before, 5, f"{prop} ran")
        until(lambda: self.states()[prop] in ("armed", "disarmed"), 5, f"{prop} has rested")

    def guests_come_to(self, prop: str) -> None:
        """Somebody steps on the mat."""
        before = self.cycles(prop)
        self.trigger(BOARDS[prop])
        self.ran(prop, before)

    def strokes_at_pins(self, prop: str) -> int:
        """How often the valve's pin was switched on since the board was started."""
        bench = self.bench(BOARDS[prop])
        bench.pins()
        on = [bool(pins.outputs & 1) for pins in bench.seen[bench.board]]
        return sum(now and not before for before, now in zip([False, *on], on, strict=False))

    def counted_by_board(self, prop: str) -> int:
        """The number of the newest cycle as the board itself says it, without an engine."""
        number = PROPS.index(prop) + 1
        wire = Wire(self.boards[BOARDS[prop]].port)
        try:
            board = Console(wire, number)
            board.open(7)
            return int(board.prop_report().number)
        finally:
            wire.close()


@pytest.fixture
def yard() -> Iterator[Yard]:
    """The yard, everything live."""
    folder = Path(tempfile.mkdtemp(prefix="sx-", dir="/tmp"))
    made = Yard(folder)
    try:
        made.start_boards()
        made.start_engine()
        made.until_live()
        yield made
    finally:
        made.close()
        shutil.rmtree(folder, ignore_errors=True)


def press_button(yard: Yard, prop: str) -> None:
    """A helper in costume presses the button of a prop."""
    yard.bench(BOARDS[prop]).set(2, 0)
    time.sleep(0.05)
    yard.bench(BOARDS[prop]).set(2, 1)


def press_stops(yard: Yard) -> None:
    """Press every hardwired stop and the key at the desk; end the stop by name and reason."""
    for board in BOARDS.values():
        yard.bench(board).set(0, 0)
        until(lambda b=board: yard.view(f"controller/{b}")["stop_input_open"], 5, "pressed")
        yard.bench(board).set(0, 1)
        until(lambda b=board: not yard.view(f"controller/{b}")["stop_input_open"], 5, "released")
    yard.stop("key F9")
    until(lambda: done(yard, "all-stop"), 5, "every board has confirmed in time")
    clear(yard, "opening check")


def done(yard: Yard, item: str) -> bool:
    """Whether an item of the opening check that belongs to the site is done."""
    return any(i["done"] for i in yard.view("opening")["items"] if i["item"] == item)


def clear(yard: Yard, why: str) -> None:
    """End the all-stop once every board has confirmed it."""
    until(lambda: not yard.view("stop")["clear_refusals"], 5, "it can be cleared")
    yard.must("clear", stop=yard.view("stop")["id"], by="Ada", why=why)
    yard.until_all("disarmed")


def opening_check(yard: Yard) -> None:
    """The whole walk: some of it said in a shell, the rest as a console asks it."""
    at = ("--site", str(yard.site))
    assert "Ada, Bo" in yard.sexton("opening", "sign-in", "--by", "Bo", *at)
    for prop in PROPS:
        before = yard.cycles(prop)
        yard.must("test", prop=prop, sequence="go", by="Ada")
        yard.ran(prop, before)
        yard.must("check", prop=prop, item="tested", by="Ada")
        reading = f"{GAUGE_PSI} psi"
        if prop == PROPS[0]:
            words = ("--prop", prop, "--by", "Ada", "--reading", reading)
            yard.sexton("opening", "done", "gauge", *words, *at)
        else:
            yard.must("check", prop=prop, item="gauge", by="Ada", reading=reading)
    press_stops(yard)
    yard.must("check", item="air", by="Ada", reading="115 psi")
    yard.must("leak_test", from_psi=100, to_psi=95, minutes=10, by="Ada")
    yard.must("check", item="exit-1", by="Ada")
    yard.sexton("opening", "done", "chore-1", "--by", "Bo", *at)
    until(lambda: not yard.view("opening")["next"], 5, "the opening check is done")


def test_a_short_night_and_its_report(yard: Yard) -> None:
    """Opening check, groups, a fire by hand, an all-stop, an incident, closing; then the report."""
    began = time.time()
    yard.must("open_night", by="Ada")
    opening_check(yard)
    assert yard.must("open_up", by="Bo")["done"] == list(PROPS)
    yard.until_all("armed", 30)

    for size in SIZES:
        yard.must("send_group", size=size, strength="standard", by="Bo")
        for prop in PROPS:
            yard.guests_come_to(prop)
    before = yard.cycles("prop-2")
    yard.must("fire", prop="prop-2", by="Bo")
    yard.ran("prop-2", before)
    before = yard.cycles("prop-3")
    yard.trigger("board-3")
    time.sleep(0.05)
    yard.trigger("board-3")
    yard.ran("prop-3", before)

    yard.must("note", text="slipped on the step", by="Bo", incident=True)
    stopped_after = time.time()
    said = yard.sexton("stop", str(yard.site))
    stopped_before = time.time()
    assert "board-1" in said
    clear(yard, "the guest is well")
    cleared_before = time.time()
    yard.must("rearm")
    yard.until_all("armed")
    for prop in PROPS:
        yard.guests_come_to(prop)

    before = yard.cycles("prop-1")
    press_button(yard, "prop-1")
    yard.ran("prop-1", before)

    tagged_after = time.time()
    yard.must("tag", prop="prop-3", by="Bo", reason="mat is loose")
    until(lambda: yard.view("prop/prop-3")["tags"], 5, "the tag shows")
    assert not yard.ask("arm", props=["prop-3"]).ok
    yard.must("untag", prop="prop-3", by="Bo")
    untagged_before = time.time()

    yard.must("close_up", by="Ada", anyway=True)
    yard.until_all("disarmed")
    for item in yard.view("opening")["items"]:
        of = {} if item["subject"] == "site" else {"prop": item["subject"]}
        yard.must("check", item=item["item"], by="Bo", **of)
    yard.must("close_night", by="Ada")
    until(lambda: yard.view("site")["night"] is None, 5, "the night is closed")
    time.sleep(0.3)
    strokes = {prop: yard.strokes_at_pins(prop) for prop in PROPS}
    yard.end_engine()
    on_boards = {prop: yard.counted_by_board(prop) for prop in PROPS}

    found = {
        name: section["rows"]
        for name, section in json.loads(yard.report("json"))["sections"].items()
    }
    sensed = len(SIZES) + 1
    by_prop = {row["prop"]: row for row in found["cycles"]}
    triggers = ("sensor", "actor", "test", "operator")
    assert {p: tuple(r[t] for t in triggers) for p, r in by_prop.items()} == {
        "prop-1": (sensed, 1, 1, 0),
        "prop-2": (sensed, 0, 1, 1),
        "prop-3": (sensed + 1, 0, 1, 0),
    }  # fmt: skip
    assert {p: r["cycles"] for p, r in by_prop.items()} == on_boards == strokes
    assert {r["cut"] for r in by_prop.values()} == {0}

    (missed,) = found["missed"]
    assert (missed["prop"], missed["source"], missed["missed"]) == ("prop-3", "sensor", 1)
    by_hand = {(r["kind"], r["subject"], r["who"]): r["times"] for r in found["by_hand"]}
    assert by_hand == {("fire", "prop-2", "Bo"): 1, **{("test", p, "Ada"): 1 for p in PROPS}}

    tested, stopped = found["stops"]
    assert tested["why"] == "opening check"
    assert "hardwired stop" in tested["source"]
    assert (stopped["source"], stopped["who"]) == ("shell", user_name())
    assert stopped["cleared_by"] == "Ada"
    assert stopped["why"] == "the guest is well"
    at = datetime.fromisoformat(stopped["stopped"]).timestamp()
    assert stopped_after <= at <= stopped_before
    assert 0 <= stopped["confirmed_s"] < 1.5
    assert stopped["confirmed_s"] <= stopped["cleared_s"] <= cleared_before - stopped_after

    (groups,) = found["groups"]
    assert (groups["groups"], groups["guests"]) == (len(SIZES), sum(SIZES))
    (night,) = found["nights"]
    assert groups["groups_per_hour"] == pytest.approx(len(SIZES) / night["open_s"] * 3600)
    assert night["opened_by"] == "Ada" == night["closed_by"]
    assert began <= datetime.fromisoformat(night["opened"]).timestamp() <= stopped_after
    assert [(r["kind"], r["who"], r["text"]) for r in found["notes"]] == [
        ("incident", "Bo", "slipped on the step")
    ]
    assert [(r["kind"], r["prop"], r["owner"]) for r in found["tags"]] == [
        ("tag", "prop-3", "Bo"), ("untag", "prop-3", "Bo"),
    ]  # fmt: skip
    assert found["tags"][0]["text"] == "mat is loose"
    (out,) = found["away"]
    assert (out["subject"], out["why"], out["not_back"]) == ("prop-3", "tagged", 0)
    assert 0 < out["away_s"] <= untagged_before - tagged_after
    refused = {(r["action"], r["times"]) for r in found["refused"]}
    assert ("arm", 1) in refused
    assert found["gaps"] == found["faults"] == []

    used = {row["prop"]: row for row in found["air"]}
    each_scf = esposito_scf(GAUGE_PSI)
    for prop in PROPS:
        assert used[prop]["scf"] == pytest.approx(strokes[prop] * each_scf)
        assert (used[prop]["psi"], used[prop]["runs"]) == (GAUGE_PSI, on_boards[prop])
    (whole,) = found["compressor"]
    assert whole["props_scf"] == pytest.approx(sum(strokes.values()) * each_scf)
    assert whole["scf"] - whole["props_scf"] == pytest.approx(0.4 * night["open_s"] / 60)
    assert whole["needs_s"] == pytest.approx(whole["scf"] / 5 * 60)

    due = {row["id"]: row for row in found["due"]}
    assert (due["drain"]["used"], due["drain"]["standing"]) == (1, "due")
    text = yard.report("text")
    assert "slipped on the step" in text
    assert f"{sum(strokes.values()) * each_scf:.3g} scf in all" in text
    assert "Drain the tank" in text
    assert os.fspath(yard.ledger) in text
