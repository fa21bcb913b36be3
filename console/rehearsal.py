"""A rehearsal: any site on simulated boards, with trouble thrown in, and a debrief afterwards.

It runs as a demo does, in a private folder, and cannot open a real line. What went wrong, how long
it stood open and what would have been the right answer is said at the end.
"""

from __future__ import annotations

import contextlib
import random
import socket
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from console.demo import Demo
from console.site.models import Controller, Prop, Site, TriggerSource
from console.views.client import snapshot
from console.views.models import (
    AlarmView,
    Entity,
    PropFlag,
    PropState,
    PropView,
    StopView,
)

FIRST_S = 20.0
BETWEEN_S = (25.0, 60.0)
LOOK_EVERY_S = 0.5
_ARMED = (PropState.ARMED, PropState.RUNNING, PropState.RESTING)

Entities = Mapping[str, Entity]


@dataclass(frozen=True, slots=True)
class Where:
    """What a trouble befalls."""

    controller: Controller
    prop: Prop
    output: int
    sensor: int | None


@dataclass(frozen=True, slots=True)
class Trouble:
    """One kind of trouble: bench commands that begin and end it, and when it counts as dealt with.

    `lasts_s` is None where it stays until the end.
    """

    id: str
    title: str
    answer: str
    begin: Callable[[Where], str]
    end: Callable[[Where], str] | None
    lasts_s: float | None
    dealt_with: Callable[[Entities, Where], bool]
    fits: Callable[[Where], bool] = lambda _: True


def _prop(entities: Entities, where: Where) -> PropView:
    found = entities[f"prop/{where.prop.name}"]
    assert isinstance(found, PropView)
    return found


def _armed_again(entities: Entities, where: Where) -> bool:
    return _prop(entities, where).state in _ARMED


def _taken_out(entities: Entities, where: Where) -> bool:
    prop = _prop(entities, where)
    return prop.state is PropState.DISARMED or bool(prop.tags)


def _not_by_sensor(entities: Entities, where: Where) -> bool:
    return _taken_out(entities, where) or PropFlag.HAND_ONLY in _prop(entities, where).flags


def _cleared(entities: Entities, where: Where) -> bool:
    stop = entities["stop"]
    return isinstance(stop, StopView) and not stop.latched and _armed_again(entities, where)


def _air_alarms_seen(entities: Entities, where: Where) -> bool:
    alarms = [e for e in entities.values() if isinstance(e, AlarmView)]
    return _taken_out(entities, where) or any(
        a.acknowledged and ("air" in a.kind or "leak" in a.kind or "compressor" in a.kind)
        for a in alarms
    )


TROUBLES: tuple[Trouble, ...] = (
    Trouble(
        "silent",
        "a board goes silent",
        "Send nobody past it. Look at its power and cable. It disarmed itself and comes back "
        "disarmed: look at the prop, then arm it again.",
        lambda w: f"silent {w.controller.board_id} 1",
        lambda w: f"silent {w.controller.board_id} 0",
        20.0,
        _armed_again,
    ),
    Trouble(
        "slow",
        "a motion becomes slow",
        "Take the prop out before it fails: disarm and tag it, look at air, flow control and "
        "seals, and note what you found.",
        lambda w: f"slow {w.controller.board_id} {w.output} 2.5",
        None,
        None,
        _taken_out,
    ),
    Trouble(
        "pressure",
        "the pressure drops",
        "Hold the groups, look for the leak from the compressor outwards, and disarm what moves "
        "most air until it is found.",
        lambda _: "leak 12",
        lambda _: "leak 0",
        120.0,
        _air_alarms_seen,
    ),
    Trouble(
        "trigger",
        "a sensor trips with nobody there",
        "Set the prop to hand only and fire it by eye, or disarm it, until its sensor was looked "
        "at.",
        lambda w: f"trip {w.controller.board_id} {w.sensor}",
        None,
        None,
        _not_by_sensor,
        lambda w: w.sensor is not None,
    ),
    Trouble(
        "stop",
        "a guest presses a hardwired stop",
        "Go there. Find out why, see that everybody is well, close the stop, clear the all-stop "
        "with name and reason, warn everybody that air returns, then arm again.",
        lambda w: f"set {w.controller.board_id} 0 0",
        lambda w: f"set {w.controller.board_id} 0 1",
        15.0,
        _cleared,
    ),
)
BY_ID = {trouble.id: trouble for trouble in TROUBLES}


@dataclass(slots=True)
class Happened:
    """One trouble of this rehearsal. Times are seconds since the rehearsal began."""

    trouble: Trouble
    where: Where
    at_s: float
    ended_s: float | None = None
    noticed: bool = False
    dealt_s: float | None = None

    @property
    def open_s(self) -> float | None:
        """How long it stood open; None where it was never dealt with."""
        return None if self.dealt_s is None else self.dealt_s - self.at_s


@dataclass(slots=True)
class Debrief:
    """Everything that happened, in order."""

    happened: list[Happened] = field(default_factory=list)

    def as_json(self) -> list[dict[str, Any]]:
        """For scripts."""
        return [
            {
                "trouble": h.trouble.id,
                "what": h.trouble.title,
                "prop": h.where.prop.name,
                "controller": h.where.controller.name,
                "at_s": round(h.at_s, 1),
                "open_s": None if h.open_s is None else round(h.open_s, 1),
                "right_answer": h.trouble.answer,
            }
            for h in self.happened
        ]

    def lines(self) -> list[str]:
        """For people."""
        said = [f"{len(self.happened)} troubles; what each was, and the right answer:"]
        for h in self.happened:
            minutes, seconds = divmod(round(h.at_s), 60)
            how = "not dealt with" if h.open_s is None else f"dealt with after {h.open_s:.0f} s"
            said.append(
                f"  {minutes}:{seconds:02d}  {h.trouble.title}, {h.where.prop.title}: {how}"
            )
            said.append(f"        {h.trouble.answer}")
        return said


class Rehearsal(Demo):
    """A demo of the given site whose plant is tampered with."""

    mark = "REHEARSAL"

    def __init__(
        self, site_file: Path, ledger: Path | None, *, seed: int | None, rate: float,
        troubles: tuple[str, ...],
    ) -> None:  # fmt: skip
        super().__init__(ledger, seed=seed, rate=rate, site_file=site_file)
        self.debrief = Debrief()
        self._random = random.Random(seed)
        self._kinds = [BY_ID[name] for name in troubles or BY_ID]
        self._began_s = 0.0
        self._next_s = FIRST_S
        self._looked_s = 0.0

    def begin(self) -> None:
        """Arm everything; trouble comes later."""
        super().begin()
        self._began_s = time.monotonic()

    def end_night(self) -> None:
        """What the closing disarms is nobody's answer to a trouble."""
        self._began_s = 0.0
        super().end_night()

    def tend(self) -> None:
        """Keep it going, and let trouble come and go."""
        super().tend()
        if not self._began_s:
            return
        now_s = time.monotonic() - self._began_s
        for happened in self.debrief.happened:
            self._end(happened, now_s)
        if now_s >= self._next_s:
            self._next_s = now_s + self._random.uniform(*BETWEEN_S)
            self._strike(now_s)
        if now_s - self._looked_s >= LOOK_EVERY_S:
            self._looked_s = now_s
            self._judge(now_s)

    def _strike(self, now_s: float) -> None:
        places = [w for w in wheres(self.site) if not self._hit(w)]
        self._random.shuffle(places)
        done = {h.trouble.id for h in self.debrief.happened}
        kinds = sorted(self._kinds, key=lambda t: (t.id in done, self._random.random()))
        for trouble in kinds:
            where = next((w for w in places if trouble.fits(w)), None)
            if where is not None:
                self._bench(trouble.begin(where))
                self.debrief.happened.append(Happened(trouble, where, now_s))
                return

    def _hit(self, where: Where) -> bool:
        return any(h.where.controller.name == where.controller.name for h in self.debrief.happened)

    def _end(self, happened: Happened, now_s: float) -> None:
        trouble = happened.trouble
        if happened.ended_s is not None or trouble.lasts_s is None or trouble.end is None:
            return
        if now_s - happened.at_s >= trouble.lasts_s:
            happened.ended_s = now_s
            self._bench(trouble.end(happened.where))

    def _judge(self, now_s: float) -> None:
        try:
            entities = snapshot(self.folder.socket)
        except OSError:
            return
        for happened in self.debrief.happened:
            if happened.dealt_s is not None:
                continue
            dealt = happened.trouble.dealt_with(entities, happened.where)
            # What is dealt with by arming again must first have been disarmed by the trouble.
            happened.noticed = happened.noticed or not dealt
            if dealt and happened.noticed:
                happened.dealt_s = now_s

    def _bench(self, command: str) -> None:
        with (
            contextlib.suppress(OSError),
            socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as link,
        ):
            link.settimeout(2.0)
            link.connect(str(self.bench))
            link.sendall(command.encode() + b"\n")
            link.recv(4096)


def wheres(site: Site) -> list[Where]:
    """Every place where trouble can strike, one a prop."""
    found = []
    for prop in site.props:
        sensor = prop.trigger(TriggerSource.SENSOR)
        if prop.motions:
            found.append(
                Where(
                    site.controller(prop.controller), prop, prop.motions[0].output,
                    sensor.input if sensor else None,
                )
            )  # fmt: skip
    return found
