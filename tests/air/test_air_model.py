"""The air model, its parts and the permit: small cases and properties."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.figures.inputs import FigureError
from console.rules.air import AirModel, Cause
from console.rules.airfilter import APPETITE, LEAK, PRESSURE, STRENGTH, Flows, TankFilter
from console.rules.airguess import TankGuesses
from console.rules.airpermit import LowAir
from console.rules.airswitch import CompressorSwitch
from console.rules.airtest import Mark, leak_test, mark_of
from console.rules.airuse import (
    delivered_scfm,
    need_psi,
    sequence_scf,
    site_use,
    tank_scf_per_psi,
)
from console.rules.airwatch import StrokeWatch
from console.site.loading import load
from console.site.models import Site
from console.site.shipped import shipped

SITE = load(shipped("demo"))
PER_PSI = 30 / 7.48 / 14.7


def _without(**air: object) -> Site:
    return SITE.model_copy(update={"air": SITE.air.model_copy(update=air)})


# --- use ------------------------------------------------------------------------------------------


def test_the_tank_gives_its_volume_over_an_atmosphere() -> None:
    """MEASUR receiver: 660 gal fallen by 10 psi gave 60.024 scf (checks 2k)."""
    assert SITE.air.tank is not None
    tank = SITE.air.tank.model_copy(update={"volume_gal": 660.0})
    assert 10 * tank_scf_per_psi(tank) == pytest.approx(60.024, abs=1e-3)


def test_a_compressor_gives_its_rating_where_it_is_rated_and_less_above() -> None:
    """Volumetric efficiency falls with pressure."""
    compressor = SITE.air.compressor
    assert compressor is not None
    assert delivered_scfm(compressor, compressor.at_psi) == pytest.approx(compressor.delivers_scfm)
    given_at = [delivered_scfm(compressor, psi) for psi in (0, 50, 90, 125, 175)]
    assert given_at == sorted(given_at, reverse=True)


def test_a_sequence_takes_the_strokes_it_makes() -> None:
    """Three knocks take three times one knock; lights alone take none."""
    knocker = SITE.prop("gate-knocker")
    one = sequence_scf(knocker, "one-knock")
    assert one > 0
    assert sequence_scf(knocker, "three-knocks") == pytest.approx(3 * one)
    assert sequence_scf(knocker, "flicker") == 0
    cart = SITE.prop("lurching-cart")
    assert 0 < sequence_scf(cart, "nudge") < sequence_scf(cart, "lunge")


def test_less_pressure_takes_less_air() -> None:
    """A tank under the set pressure feeds the cylinder with what it has."""
    door = SITE.prop("ice-house-door")
    full = sequence_scf(door, "slow-door")
    assert sequence_scf(door, "slow-door", 200.0) == full
    assert sequence_scf(door, "slow-door", 40.0) < full


def test_a_longer_headway_takes_less() -> None:
    """Demand falls with headway; what one group costs does not."""
    short, long = site_use(SITE, 45), site_use(SITE, 90)
    assert short.total_scfm > long.total_scfm > long.leak_scfm
    assert short.group_scf == pytest.approx(long.group_scf)


@given(
    times=st.lists(st.integers(0, 4000), min_size=2, max_size=12, unique=True),
    prop=st.sampled_from([p for p in SITE.props if p.motions]),
)
def test_watching_outputs_adds_up_to_no_less_than_nothing(times: list[int], prop: object) -> None:
    """However an output flickers, what its strokes took is 0 or more and at most whole strokes."""
    watch = StrokeWatch(SITE)
    motion = prop.motions[0]  # type: ignore[attr-defined]
    total, on = 0.0, False
    for at in sorted(times):
        on = not on
        total += watch.switched(prop.name, motion.output, on, float(at), 100.0)  # type: ignore[attr-defined]
        assert total >= -1e-9
    whole = StrokeWatch(SITE)
    name = prop.name  # type: ignore[attr-defined]
    cycle = whole.switched(name, motion.output, True, 0.0, 100.0)
    cycle += whole.switched(name, motion.output, False, 1e6, 100.0)
    assert total <= (len(times) + 1) / 2 * cycle + 1e-9
    assert watch.scf_by_prop[name] == pytest.approx(total)


def test_a_watched_sequence_takes_what_is_reckoned_for_it() -> None:
    """Outputs as the steps switch them come to `sequence_scf`."""
    for prop in SITE.props:
        for sequence in prop.sequences:
            watch, total = StrokeWatch(SITE), 0.0
            for step in sequence.steps:
                total += watch.switched(prop.name, step.output, step.on, step.at_ms, 200.0)
            assert total == pytest.approx(sequence_scf(prop, sequence.name), abs=1e-9)


# --- permit ---------------------------------------------------------------------------------------


def test_a_dip_of_a_stroke_does_not_refuse() -> None:
    """Two seconds under the limit are nothing; three are; 5 psi above for three seconds release."""
    air = LowAir(60)
    assert not air.judge(55, 0)
    assert not air.judge(55, 2000)
    assert not air.judge(61, 2100)
    assert not air.judge(55, 2200)
    assert not air.judge(55, 5100)
    assert air.judge(55, 5200)
    assert air.limit_psi == 65
    assert air.judge(64, 9000)
    assert air.judge(65, 10_000)
    assert air.judge(66, 12_900)
    assert not air.judge(66, 13_000)
    assert air.limit_psi == 0


def test_a_sensor_that_falls_silent_does_not_release() -> None:
    """What was low stays low until somebody measures otherwise; nobody measuring is no refusal."""
    air = LowAir(60)
    air.judge(50, 0)
    assert air.judge(50, 3000)
    assert air.judge(None, 60_000)
    assert not LowAir(60).judge(None, 60_000)


@given(st.lists(st.floats(0, 150), min_size=1, max_size=60))
def test_it_changes_only_after_three_seconds(readings: list[float]) -> None:
    """At one reading a second no state lasts less than three seconds."""
    air, since, before = LowAir(60), -1, False
    for second, psi in enumerate(readings):
        low = air.judge(psi, second * 1000.0)
        if low is not before:
            assert second - since >= 3
            since, before = second, low


# --- filter and switch ----------------------------------------------------------------------------


def test_the_filter_splits_leak_from_appetite(monkeypatch: pytest.MonkeyPatch) -> None:
    """Steady loss with nothing moving is a leak; loss in steps with strokes is appetite."""
    kept = TankFilter(PER_PSI, 110, 0.4, psi_sigma=3, leak_sigma=0.3)
    monkeypatch.setattr(kept.warmth, "step", lambda *_: 0.0)
    truth = 110.0
    for second in range(1200):
        used = 0.12 if second % 20 == 0 else 0.0
        truth -= (used * 1.2 + 0.9 / 60) / PER_PSI
        # Somebody pumps it up again from time to time, by hand and unseen by the model.
        if truth < 80:
            truth += 30
            kept.restart(truth, 0.3)
        kept.predict(Flows(1 / 60, 0.0, used, 1.0))
        kept.correct(truth, 0.3)
    assert kept.mean[LEAK] == pytest.approx(0.9, abs=0.15)
    assert kept.mean[APPETITE] == pytest.approx(1.2, abs=0.15)
    assert kept.mean[STRENGTH] == pytest.approx(1.0, abs=0.1)


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0, 8), st.floats(-0.2, 2), st.one_of(st.none(), st.floats(0, 160))),
        max_size=60,
    )
)
def test_the_filter_stays_a_filter(steps: list[tuple[float, float, float | None]]) -> None:
    """Whatever comes: finite means within their limits, and variances that are not negative."""
    kept = TankFilter(PER_PSI, 100, 0.4, psi_sigma=9, leak_sigma=0.3)
    for scfm, used, measured in steps:
        kept.predict(Flows(0.05, scfm, used, 1.0))
        if measured is not None:
            kept.correct(measured, 0.5)
        assert all(math.isfinite(value) for value in kept.mean)
        assert all(kept.cov[i][i] >= -1e-9 for i in range(5))
        assert kept.cov[0][1] == pytest.approx(kept.cov[1][0], abs=1e-9)


def test_one_wild_reading_is_left_out_and_a_lasting_one_is_believed() -> None:
    """A spike changes nothing; the fourth in a row does."""
    kept = TankFilter(PER_PSI, 100, 0.4, psi_sigma=0.5, leak_sigma=0.1)
    assert not kept.correct(20, 0.5)
    assert kept.mean[PRESSURE] == 100
    assert not kept.correct(20, 0.5)
    assert not kept.correct(20, 0.5)
    assert kept.correct(20, 0.5)
    assert kept.mean[PRESSURE] == 20


def test_the_switch_is_seen_by_how_the_pressure_moves() -> None:
    """Rising where it should fall, it runs; off again where it falls."""
    switch = CompressorSwitch(95, 125)
    seconds = 0
    while not switch.by_motion(0.3, -0.02, 0.3, 95, 0.5):
        seconds += 1
        assert seconds < 30
    assert switch.on
    while switch.on:
        switch.by_motion(-0.02, -0.02, 0.3, 125, 0.5)
        seconds += 1
        assert seconds < 60


def test_noise_alone_switches_nothing() -> None:
    """A still tank with a sensor that wavers by a psi stays off for hours."""
    switch = CompressorSwitch(95, 125)
    for second in range(7200):
        noise = 0.7 * (-1) ** second
        assert not switch.by_motion(noise, -0.02, 0.3, 110, 0.5)


def test_guesses_drift_apart_and_say_so() -> None:
    """What was known at the start is known less and less, and never more than the band."""
    guesses = TankGuesses(PER_PSI, 95, 125, psi=120, psi_sigma=1, leak_scfm=0.4)
    assert guesses.sigma_psi < 2
    for _ in range(7200):
        guesses.step(1 / 60, 5.0, 1.4 / 60, 1.0)
    assert 4 < guesses.sigma_psi < 16
    assert 90 < guesses.psi < 130


# --- model ----------------------------------------------------------------------------------------


def test_a_site_without_a_tank_is_not_guessed_at() -> None:
    """Nothing to predict, and it says so."""
    for air in ({"tank": None}, {"compressor": None}):
        with pytest.raises(ValueError, match="compressor and a tank"):
            AirModel(_without(**air), 0.0)


def test_minutes_left_come_true() -> None:
    """With more taken than delivered, the predicted time until short is met within a fifth."""
    assert SITE.air.compressor is not None
    weak = SITE.air.compressor.model_copy(update={"delivers_scfm": 1.0})
    site = _without(compressor=weak)
    model = AirModel(site, 0.0, start_psi=120)
    floor = need_psi(site) + site_use(site, 45).group_scf / PER_PSI
    foretold, second = None, 0
    while model.psi > floor:
        second += 1
        model.used(3.0 / 60)
        model.tick(second * 1000.0)
        if second == 60 * 40 or (foretold is None and model.psi < 90):
            foretold = (second, model.reading().minutes_left)
        assert second < 20_000
    assert foretold is not None
    assert foretold[1] == pytest.approx((second - foretold[0]) / 60, rel=0.25, abs=1)
    assert model.reading().minutes_left == 0


def test_a_compressor_that_keeps_up_has_no_end() -> None:
    """At rest the tank lasts, and the groups in it are counted."""
    model = AirModel(SITE, 0.0, start_psi=110)
    for second in range(1, 600):
        model.tick(second * 1000.0)
    reading = model.reading()
    assert reading.minutes_left is None
    held = PER_PSI * (reading.psi - reading.need_psi)
    assert reading.groups_left == pytest.approx(held / site_use(SITE, 45).group_scf, rel=0.01)


def test_running_for_long_without_filling_the_tank_is_said() -> None:
    """20 minutes by the site file, and not a minute sooner."""
    model = AirModel(SITE, 0.0)
    for second in range(1, 25 * 60):
        model.used(4.8 / 60)
        model.tick(second * 1000.0, 94.0 + 0.2 * (second % 2))
        if second < 19 * 60:
            assert not model.reading().not_catching_up
    reading = model.reading()
    assert reading.compressor_on
    assert reading.not_catching_up


def test_a_compressor_that_never_starts_is_named() -> None:
    """Far below cut-in with the pressure still falling: no air comes."""
    model, psi = AirModel(SITE, 0.0), 110.0
    for second in range(1, 40 * 60):
        psi = max(30.0, psi - 0.03)
        model.used(0.02 * PER_PSI)
        model.tick(second * 1000.0, psi)
    assert Cause.DEAD in {found.cause for found in model.reading().findings}


@settings(deadline=None, max_examples=30)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 120_000),
            st.floats(0, 5),
            st.one_of(st.none(), st.floats(-1e6, 1e6, allow_nan=False)),
        ),
        max_size=40,
    )
)
def test_nothing_upsets_the_model(steps: list[tuple[int, float, float | None]]) -> None:
    """Any use, any reading, any pause: finite figures and a pressure that a tank can have."""
    model, now = AirModel(SITE, 0.0), 0.0
    for wait, used, measured in steps:
        now += wait
        model.used(used)
        model.tick(now, measured)
        reading = model.reading()
        assert -15 <= reading.psi <= 400
        assert reading.minutes_left is None or reading.minutes_left >= 0
        assert reading.groups_left >= 0
        assert math.isfinite(reading.sigma_psi)


# --- leak test ------------------------------------------------------------------------------------


def test_a_leak_test_is_the_sourcebooks_bleed_down() -> None:
    """50 ft3 from 100 to 50 psig in 10 min leak 21.2585 cfm (checks 2d)."""
    assert SITE.air.tank is not None
    tank = SITE.air.tank.model_copy(update={"volume_gal": 50 * 7.48})
    found = leak_test(_without(tank=tank), 100, 50, 10)
    assert found.leak_cfm == pytest.approx(21.2585, abs=1e-4)
    assert found.percent == pytest.approx(100 * 21.2585 / 5, abs=1e-2)
    assert found.mark is Mark.POOR


def test_the_marks_are_at_ten_and_twenty_percent() -> None:
    """The sourcebook's: under 10 well kept, 20 and more poorly (checks 2c)."""
    assert [mark_of(p) for p in (0, 9.99, 10, 19.99, 20, 90)] == [
        Mark.WELL_KEPT, Mark.WELL_KEPT, Mark.LOOK, Mark.LOOK, Mark.POOR, Mark.POOR,
    ]  # fmt: skip


def test_an_impossible_test_is_refused() -> None:
    """Rising pressures, no time, no tank."""
    with pytest.raises(FigureError):
        leak_test(SITE, 80, 90, 10)
    with pytest.raises(FigureError):
        leak_test(SITE, 90, 80, 0)
    with pytest.raises(ValueError, match="no tank"):
        leak_test(_without(tank=None), 90, 80, 10)
    bare = leak_test(_without(compressor=None), 90, 80, 10)
    assert bare.percent is None
    assert bare.mark is None
