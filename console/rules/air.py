"""How much air is left: the tank predicted from cycles as they happen, compressor and leak.

Where a pressure sensor is fitted its readings correct the prediction, and what still does not fit
is given a name: a leak, or a compressor that has grown tired. Pure: times come in, nothing goes
out. Pressures are gauge in psi, free air in scf, times monotonic ms.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from console.figures.air import ATMOSPHERE_PSIA
from console.rules.airfilter import APPETITE, LEAK, PRESSURE, STRENGTH, Flows, TankFilter
from console.rules.airguess import TankGuesses
from console.rules.airswitch import CompressorSwitch
from console.rules.airuse import delivered_scfm, need_psi, site_use, tank_scf_per_psi
from console.site.models import Compressor, Site, Tank

SENSOR_SIGMA_PSI = 0.5
"""Of a single reading of a common 0.5 to 4.5 V sensor, converter included."""
SENSOR_BIAS_PSI = 1.0
"""By which all its readings may be off together; no filter takes that away."""
SETTLE_MIN = 0.25
"""Air that was just compressed is hot and shrinks for about so long."""
RECENT_MIN = 10.0
"""Over which demand is averaged."""

NAMED_SHARE = 0.10
"""A leak is named when it takes this share of the compressor more than the site file says."""
TIRED_BELOW = 0.85
"""A compressor is called tired when it gives less than this share of what it gave tonight."""
WORN_BELOW = 0.70
"""Under this share of its rating it is called so from the start; less is within the doubt about
ratings and about hot air."""
WATCHED_MIN = 30.0
"""After so long it is known what the compressor gives tonight."""
SURE_SIGMAS = 4.0
LONG_MIN = 3.0
"""A cause must show for so long before it is named."""

_STEP_MIN = 0.1
_SILENT_MIN = 0.5
"""A sensor that says nothing for so long counts as not there."""


class Cause(StrEnum):
    """Why sensor and prediction are apart."""

    LEAK = "leak"  # air goes also while nothing moves
    TIRED = "tired compressor"  # the tank fills slower than it should
    DEAD = "compressor not running"  # under cut-in, and nothing comes


@dataclass(frozen=True, slots=True)
class Finding:
    """A cause with how much air it loses, in scfm."""

    cause: Cause
    scfm: float
    sigma_scfm: float
    text: str


@dataclass(frozen=True, slots=True)
class Reading:
    """How the air stands. `measured_psi` is None without a sensor's word.

    `minutes_left` is how long until the next group's sequences would go short at the demand of the
    last ten minutes, None where the compressor keeps up. `groups_left` are the groups that the
    tank alone still carries.
    """

    psi: float
    sigma_psi: float
    measured_psi: float | None
    compressor_on: bool
    running_min: float
    demand_scfm: float
    leak_scfm: float
    leak_sigma_scfm: float
    strength: float
    strength_sigma: float
    need_psi: float
    minutes_left: float | None
    groups_left: float
    not_catching_up: bool
    findings: tuple[Finding, ...]


class AirModel:
    """The air of one site with a tank and a compressor."""

    def __init__(self, site: Site, start_ms: float, *, start_psi: float | None = None) -> None:
        """`start_psi` is what the gauge shows; without it the tank counts as at half its band.

        Raises:
            ValueError: The site file names no compressor or no tank.
        """
        compressor, tank = site.air.compressor, site.air.tank
        if compressor is None or tank is None:
            raise ValueError("air is predicted where the site file has a compressor and a tank")
        self._compressor: Compressor = compressor
        self._tank: Tank = tank
        self._per_psi = tank_scf_per_psi(tank)
        self._need = need_psi(site)
        self._group_scf = site_use(site, (site.rules.headway_ms or 60_000) / 1000).group_scf
        self._stated_leak = site.air.leak_scfm or 0.0
        self._middle = (compressor.cut_in_psi + compressor.cut_out_psi) / 2
        self._band_sigma = (compressor.cut_out_psi - compressor.cut_in_psi) / math.sqrt(12)
        self._filter = TankFilter(
            self._per_psi,
            self._middle if start_psi is None else start_psi,
            self._stated_leak,
            psi_sigma=self._band_sigma if start_psi is None else 3.0,
            leak_sigma=0.1 + 0.5 * self._stated_leak,
        )
        self._switch = CompressorSwitch(compressor.cut_in_psi, compressor.cut_out_psi)
        self._switch.by_pressure(self._filter.mean[PRESSURE])
        self._now_ms = start_ms
        self._used_scf = 0.0
        self._taken = 0.0
        self._weight = 0.0
        self._since_switch_min = SETTLE_MIN
        self._measured: float | None = None
        self._moved = [0.0, 0.0]
        self._silent_min = _SILENT_MIN
        self._guesses: TankGuesses | None = None
        self._guess(self._filter.mean[PRESSURE], self._filter.sigma(PRESSURE))
        self._watched_min = 0.0
        self._gave: float | None = None
        self._shown_min: dict[Cause, float] = dict.fromkeys(Cause, 0.0)
        self._named: set[Cause] = set()

    def used(self, scf: float) -> None:
        """Props took this much since the last tick by the figures; under 0 gives back."""
        self._used_scf += scf

    def tick(self, now_ms: float, measured_psi: float | None = None) -> None:
        """Let time pass until `now_ms`, then take a reading of the sensor where there is one."""
        minutes = max(0.0, now_ms - self._now_ms) / 60_000
        self._now_ms = max(now_ms, self._now_ms)
        used, self._used_scf = self._used_scf, 0.0
        steps = max(1, math.ceil(minutes / _STEP_MIN)) if minutes else 0
        if measured_psi is not None and not self._plausible(measured_psi):
            measured_psi = None
        self._silent_min = 0.0 if measured_psi is not None else self._silent_min + minutes
        if measured_psi is None:
            self._measured = None
        for step in range(steps):
            self._pass(minutes / steps, used if step == 0 else 0.0)
        if measured_psi is not None:
            self._take(measured_psi)
        elif self._guesses is None and self._silent_min >= _SILENT_MIN:
            self._guess(self._filter.mean[PRESSURE], self._filter.sigma(PRESSURE))
        self._name(minutes)

    def reading(self) -> Reading:
        """How the air stands now."""
        mean, known = self._filter.mean, self._filter
        return Reading(
            psi=self.psi,
            sigma_psi=self._guesses.sigma_psi
            if self._guesses
            else math.hypot(known.sigma(PRESSURE), SENSOR_BIAS_PSI),
            measured_psi=self._measured,
            compressor_on=self._runs,
            running_min=self._since_switch_min if self._runs else 0.0,
            demand_scfm=self._demand_scfm(),
            leak_scfm=mean[LEAK],
            leak_sigma_scfm=known.sigma(LEAK),
            strength=mean[STRENGTH],
            strength_sigma=known.sigma(STRENGTH),
            need_psi=self._need,
            minutes_left=self._minutes_left(),
            groups_left=self._groups_left(),
            not_catching_up=self._not_catching_up(),
            findings=tuple(self._finding(cause) for cause in Cause if cause in self._named),
        )

    # --- inside -------------------------------------------------------------------------------

    def _pass(self, minutes: float, used: float) -> None:
        mean, psi = self._filter.mean, self.psi
        rating = delivered_scfm(self._compressor, psi)
        share = (psi + ATMOSPHERE_PSIA) / (self._middle + ATMOSPHERE_PSIA)
        fade = math.exp(-minutes / RECENT_MIN)
        self._taken = self._taken * fade + used
        self._weight = self._weight * fade + minutes
        self._since_switch_min += minutes
        if self._guesses is not None:
            before = self._guesses.on
            self._guesses.step(minutes, rating, used, share)
            self._switched(self._guesses.on != before)
            return
        taken = used * mean[APPETITE] + mean[LEAK] * share * minutes
        self._moved[0] -= taken / self._per_psi
        self._moved[1] += (rating * mean[STRENGTH] * minutes - taken) / self._per_psi
        unsure = self._switch.near(psi) or self._switch.unsure
        settled = self._since_switch_min >= SETTLE_MIN and not unsure
        self._filter.predict(
            Flows(minutes, rating if self._switch.on else 0.0, used, share, settled)
        )

    def _take(self, measured_psi: float) -> None:
        if self._guesses is not None:
            self._guesses = None
            self._filter.restart(measured_psi, SENSOR_SIGMA_PSI)
            self._switched(self._switch.by_pressure(measured_psi))
        elif self._measured is not None:
            off, on = self._moved
            self._switched(
                self._switch.by_motion(
                    measured_psi - self._measured, off, on, measured_psi, SENSOR_SIGMA_PSI
                )
            )
        self._measured = measured_psi
        self._moved = [0.0, 0.0]
        self._filter.correct(measured_psi, SENSOR_SIGMA_PSI)

    def _guess(self, psi: float, psi_sigma: float) -> None:
        self._guesses = TankGuesses(
            self._per_psi,
            self._switch.cut_in_psi,
            self._switch.cut_out_psi,
            psi=psi,
            psi_sigma=psi_sigma,
            leak_scfm=self._filter.mean[LEAK],
        )

    @property
    def psi(self) -> float:
        """The tank's pressure, as far as anybody knows."""
        return self._guesses.psi if self._guesses is not None else self._filter.mean[PRESSURE]

    @property
    def _runs(self) -> bool:
        return self._guesses.on if self._guesses is not None else self._switch.on

    def _switched(self, switched: bool) -> None:
        if switched:
            self._since_switch_min = 0.0

    def _plausible(self, psi: float) -> bool:
        return -3.0 <= psi <= (self._tank.relief_psi or self._compressor.cut_out_psi + 50) + 25

    def _gives_scfm(self) -> float:
        rated = delivered_scfm(self._compressor, self._compressor.cut_in_psi)
        return rated * self._filter.mean[STRENGTH]

    def _short_scfm(self) -> float:
        """What demand and leak take beyond what the compressor gives; under 0 it keeps up."""
        return self._demand_scfm() + self._filter.mean[LEAK] - self._gives_scfm()

    def _demand_scfm(self) -> float:
        # In the first minute a single stroke would look like a whole night of them.
        return self._taken / max(self._weight, 1.0) * self._filter.mean[APPETITE]

    def _group(self) -> float:
        return self._group_scf * self._filter.mean[APPETITE]

    def _minutes_left(self) -> float | None:
        floor = self._need + self._group() / self._per_psi
        psi = self.psi
        if psi <= floor:
            return 0.0
        short = self._short_scfm()
        if Cause.DEAD in self._named:
            short += self._gives_scfm()
        if short <= 0.02:
            return None
        alone_psi = max(0.0, psi - max(self._compressor.cut_in_psi, floor))
        if self._runs or Cause.DEAD in self._named:
            alone_psi = 0.0
        taking = short + (0.0 if Cause.DEAD in self._named else self._gives_scfm())
        both_psi = psi - floor - alone_psi
        return self._per_psi * (alone_psi / max(taking, 1e-6) + both_psi / short)

    def _groups_left(self) -> float:
        held = self._per_psi * max(0.0, self.psi - self._need)
        return held / self._group() if self._group() > 0 else math.inf

    def _not_catching_up(self) -> bool:
        """It has run for long, and the tank has not reached its cut-out."""
        longest_min = self._compressor.longest_run_ms / 60_000
        return self._runs and self._since_switch_min >= longest_min

    def _name(self, minutes: float) -> None:
        known = self._filter
        over = known.mean[LEAK] - self._stated_leak
        lacks = self._lacks(minutes)
        mark = NAMED_SHARE * self._compressor.delivers_scfm
        under = known.mean[PRESSURE] < self._compressor.cut_in_psi - 8
        signs = {
            Cause.LEAK: (over / mark, over / max(known.sigma(LEAK), 1e-9)),
            Cause.TIRED: (lacks, lacks * (1 - TIRED_BELOW) / max(known.sigma(STRENGTH), 1e-9)),
            Cause.DEAD: (2.0 if under and not self._switch.on else 0.0, SURE_SIGMAS),
        }  # fmt: skip
        for cause, (share, sigmas) in signs.items():
            if self._measured is not None and share >= 1 and sigmas >= SURE_SIGMAS:
                self._shown_min[cause] += minutes
                if self._shown_min[cause] >= LONG_MIN:
                    self._named.add(cause)
            elif share < 0.6:
                # Once named, it must be clearly gone before it is taken back.
                self._shown_min[cause] = 0.0
                self._named.discard(cause)
            elif cause not in self._named:
                self._shown_min[cause] = max(0.0, self._shown_min[cause] - minutes)

    def _lacks(self, minutes: float) -> float:
        """How near the compressor is to be called tired; 1 is where it is."""
        strength = self._filter.mean[STRENGTH]
        if self._measured is not None:
            self._watched_min += minutes
        if (
            self._gave is None
            and self._watched_min >= WATCHED_MIN
            and self._filter.sigma(STRENGTH) <= 0.05
        ):
            self._gave = strength
        worn = (1 - strength) / (1 - WORN_BELOW)
        if self._gave is None:
            return worn
        return max(worn, (1 - strength / self._gave) / (1 - TIRED_BELOW))

    def _finding(self, cause: Cause) -> Finding:
        known, rated = self._filter, self._compressor.delivers_scfm
        if cause is Cause.LEAK:
            lost = known.mean[LEAK] - self._stated_leak
            share = 100 * known.mean[LEAK] / rated
            said = f"{self._stated_leak:g} scfm of" if self._stated_leak else "none in"
            return Finding(
                cause, lost, known.sigma(LEAK),
                f"about {lost:.1f} scfm leak more than the {said} the site file: "
                f"{share:.0f} % of the compressor",
            )  # fmt: skip
        if cause is Cause.TIRED:
            gives, gave = rated * known.mean[STRENGTH], rated * (self._gave or 1.0)
            before = "earlier tonight" if self._gave is not None else "by the site file"
            return Finding(
                cause, gave - gives, rated * known.sigma(STRENGTH),
                f"the compressor gives about {gives:.1f} scfm, {100 * gives / gave:.0f} % of its "
                f"{gave:.1f} scfm {before}",
            )  # fmt: skip
        return Finding(
            cause, rated, 0.0,
            f"{known.mean[PRESSURE]:.0f} psi, it should start at "
            f"{self._compressor.cut_in_psi:g} psi, and no air comes",
        )  # fmt: skip
