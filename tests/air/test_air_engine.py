"""The air of a running engine: real core and ledger, simulated boards, virtual time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from console.ledger.reader import Reader
from console.ledger.rows import Filter
from console.rules.airuse import sequence_scf
from console.site.loading import load
from console.site.models import Site
from console.site.shipped import shipped
from console.views.codec import from_json, to_json
from console.views.models import AirView, PropFlag
from tests.engine.night import Night, SimulatedBoard


def site() -> Site:
    """The demo with its gate and its ice-house door alone, so that a second costs little."""
    whole = load(shipped("demo"))
    boards = ("gate-post", "ice-door")
    return whole.model_copy(
        update={
            "controllers": tuple(c for c in whole.controllers if c.name in boards),
            "props": tuple(p for p in whole.props if p.controller in boards),
            "lines": tuple(
                line.model_copy(update={"usb_serial": None, "path": f"/dev/{line.name}"})
                for line in whole.lines
                if line.name in ("gate", "door")
            ),
        }
    )


class Air:
    """A night with a hand on the gauge."""

    def __init__(self, folder: Path) -> None:
        self.night = Night(site(), folder, SimulatedBoard, durable=False)
        self.gauge(110)
        self.night.until(self.night.live, 20_000)

    def gauge(self, psi: float) -> None:
        """What the sensor at the gate post gives: 0.5 V at 0, 4.5 V at 150 psi."""
        board = self.night.boards["gate-post"]
        assert isinstance(board, SimulatedBoard)
        board.board.set_pressure(round(500 + psi / 150 * 4000))

    @property
    def view(self) -> AirView:
        """What consoles see."""
        found = self.night.core.view("air")
        assert isinstance(found, AirView)
        return found

    def events(self, kind: str) -> list[dict[str, object]]:
        """What the ledger holds of a kind, oldest first."""
        self.night.run(200)
        with Reader.open(self.night.path) as reader:
            return [
                {"subject": row.subject, "by": row.by, **row.detail}
                for row in reader.events(Filter(kind=kind))
            ]


@pytest.fixture
def air(tmp_path: Path) -> Iterator[Air]:
    """A night on two boards."""
    made = Air(tmp_path)
    yield made
    made.night.close()


def test_the_sensor_shows_in_the_view_and_survives_the_wire(air: Air) -> None:
    """Measured, near the gauge, and the same after a trip through JSON."""
    air.night.run(5000)
    view = air.view
    assert view.measured_psi == pytest.approx(110, abs=0.2)
    assert view.psi == pytest.approx(110, abs=1)
    assert {p.name for p in view.props} == {"gate-knocker", "lurching-cart", "ice-house-door"}
    assert from_json("air", to_json(view)) == view
    keys = air.night.core.keys()
    assert "air" in keys


def test_a_cycle_takes_the_air_that_is_reckoned_for_it(air: Air) -> None:
    """Outputs that switch are counted as strokes; one run comes to what its sequence takes."""
    air.night.boards["ice-door"].set_input(2, 0)
    air.night.boards["ice-door"].set_input(4, 0)
    air.night.run(1000)
    air.night.arm_all()
    assert air.night.ask("fire", prop="ice-house-door")["ok"]
    air.night.run(20_000)
    taken = {p.name: p.taken_scf for p in air.view.props}
    door = air.night.site.prop("ice-house-door")
    assert taken["ice-house-door"] == pytest.approx(sequence_scf(door, "slow-door"), abs=0.01)
    assert taken["gate-knocker"] == 0
    assert air.view.demand_scfm > 0.02


def test_too_little_air_refuses_after_three_seconds_and_again_permits_5_psi_above(
    air: Air,
) -> None:
    """A dip does nothing; the refusal says both figures; the ledger keeps both moments."""
    air.gauge(60)
    air.night.run(2000)
    air.gauge(110)
    air.night.run(5000)
    assert not air.events("air")
    air.gauge(60)
    air.night.run(6000)
    door = air.night.prop("ice-house-door")
    assert PropFlag.LOW_AIR in door.flags
    refusal = next(r for r in door.arm_refusals if r.check == "pressure")
    assert refusal.reason == "60 psi, it needs 70 psi"
    assert refusal.remedy
    assert not air.night.prop("gate-knocker").arm_refusals
    asked = air.night.ask("arm", props=["ice-house-door"])
    assert not asked["ok"]
    assert "too little air for ice-house-door" in air.night.alarms()["low-air/air"]
    air.gauge(68)
    air.night.run(6000)
    assert PropFlag.LOW_AIR in air.night.prop("ice-house-door").flags
    air.gauge(71)
    air.night.run(6000)
    assert PropFlag.LOW_AIR not in air.night.prop("ice-house-door").flags
    assert "low-air/air" not in air.night.alarms()
    kept = [e for e in air.events("air") if e["subject"] == "ice-house-door"]
    assert [e["low"] for e in kept] == [True, False]


def test_a_leak_is_an_alarm_with_its_size_and_an_entry(air: Air) -> None:
    """1.5 scfm more than the site file says, with nothing in use."""
    per_psi = 30 / 7.48 / 14.7
    psi, filling = 120.0, False
    for _ in range(15 * 60):
        filling = psi < 95 or (filling and psi < 125)
        psi += ((5.0 if filling else 0.0) - 1.9) / 60 / per_psi
        air.gauge(psi)
        air.night.run(1000)
        if "leak/air" in air.night.alarms():
            break
    assert "scfm leak more than the 0.4 scfm" in air.night.alarms()["leak/air"]
    assert air.view.findings
    (kept,) = [e for e in air.events("air") if e["subject"] == "leak"]
    assert kept["cause"] == "leak"


def test_a_leak_test_is_answered_once_it_is_in_the_ledger(air: Air) -> None:
    """The same figures come back as are kept; nonsense is refused with a remedy."""
    answer = air.night.ask("leak_test", from_psi=120.0, to_psi=108, minutes=10.0, by="Ada")
    assert answer["ok"]
    (kept,) = air.events("leak-test")
    assert kept["by"] == "Ada"
    assert kept["leak_cfm"] == answer["result"]["leak_cfm"]  # type: ignore[index]
    assert kept["mark"] == "well kept"
    for wrong in (
        {"from_psi": 100.0, "to_psi": 120.0, "minutes": 5.0},
        {"from_psi": 100.0, "to_psi": 90.0, "minutes": 0.0},
        {"from_psi": "100", "to_psi": 90.0, "minutes": 5.0},
        {"from_psi": float("nan"), "to_psi": 90.0, "minutes": 5.0},
        {"from_psi": True, "to_psi": 0.5, "minutes": 5.0},
    ):
        refused = air.night.ask("leak_test", by="Ada", **wrong)
        assert not refused["ok"]
        assert refused["refused"][0]["remedy"]  # type: ignore[index]
    assert len(air.events("leak-test")) == 1


def test_a_site_without_air_has_no_air(tmp_path: Path) -> None:
    """No view, no key, and nothing else missing."""
    bare = site()
    bare = bare.model_copy(update={"air": bare.air.model_copy(update={"tank": None})})
    night = Night(bare, tmp_path, SimulatedBoard, durable=False)
    night.until(night.live, 20_000)
    night.run(3000)
    assert night.core.view("air") is None
    keys = night.core.keys()
    assert "air" not in keys
    assert not night.alarms()
    night.close()
