"""A rehearsal: real processes, real trouble in the plant, and a debrief that is right."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from console import rehearsal
from console.cli import main
from console.rehearsal import BY_ID, TROUBLES, Happened, Rehearsal, wheres
from console.site.loading import load
from console.site.shipped import shipped
from console.views.client import call, snapshot
from console.views.models import PropState, PropView, SiteView, StopView


@pytest.fixture
def running(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Rehearsal]:
    """A rehearsal of the demo site in which a guest soon presses a stop, and nothing else."""
    monkeypatch.setattr(rehearsal, "FIRST_S", 1.0)
    monkeypatch.setattr(rehearsal, "BETWEEN_S", (500.0, 600.0))
    monkeypatch.setitem(BY_ID, "stop", replace(BY_ID["stop"], lasts_s=2.0))
    made = Rehearsal(shipped("demo"), tmp_path / "r.ledger", seed=1, rate=1.0, troubles=("stop",))
    with made:
        made.begin()
        yield made


def until(made: Rehearsal, holds: Callable[[], bool], seconds: float = 20.0) -> None:
    """Tend the rehearsal until something holds."""
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end
        made.tend()
        time.sleep(0.05)


def stop(made: Rehearsal) -> StopView:
    """The all-stop as consoles see it."""
    found = snapshot(made.folder.socket)["stop"]
    assert isinstance(found, StopView)
    return found


def test_a_pressed_stop_is_dealt_with_by_clearing_and_arming(running: Rehearsal) -> None:
    """The plant's stop input latches an all-stop; the debrief says how long it stood open."""
    made = running
    site = snapshot(made.folder.socket)["site"]
    assert isinstance(site, SiteView)
    assert (site.demo, site.mark) == (True, "REHEARSAL")
    until(made, lambda: stop(made).latched)
    (happened,) = made.debrief.happened
    assert "hardwired stop" in stop(made).source
    assert happened.dealt_s is None
    until(made, lambda: not stop(made).clear_refusals)
    socket, name = made.folder.socket, happened.where.prop.name
    assert call(socket, "clear", {"stop": stop(made).id, "by": "Ada", "why": "guest"}).ok

    def disarmed() -> bool:
        prop = snapshot(socket)[f"prop/{name}"]
        return isinstance(prop, PropView) and prop.state is PropState.DISARMED

    until(made, disarmed)
    assert call(socket, "arm", {"props": [name]}).ok
    until(made, lambda: happened.dealt_s is not None)
    assert happened.open_s is not None
    assert happened.open_s > 0
    (told,) = made.debrief.as_json()
    assert told["trouble"] == "stop"
    assert "close the stop" in told["right_answer"]


def test_every_trouble_fits_somewhere_and_has_an_answer() -> None:
    """Each kind can strike the demo site, and its right answer is a sentence."""
    places = wheres(load(shipped("demo")))
    for trouble in TROUBLES:
        assert any(trouble.fits(where) for where in places)
        assert trouble.answer.endswith(".")
        assert trouble.begin(places[0]).split()[0] in {"silent", "slow", "leak", "trip", "set"}


def test_what_was_never_dealt_with_is_said() -> None:
    """The debrief does not pretend."""
    where = wheres(load(shipped("demo")))[0]
    debrief = rehearsal.Debrief([Happened(TROUBLES[0], where, 61.0)])
    assert "1:01" in "\n".join(debrief.lines())
    assert "not dealt with" in "\n".join(debrief.lines())
    assert json.dumps(debrief.as_json())


def test_unknown_troubles_and_files_get_one_message(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2, with the known ones."""
    site = str(shipped("demo"))
    assert main(["rehearse", site, "--headless", "--trouble", "ghosts"]) == 2
    assert "silent, slow, pressure, trigger, stop" in capsys.readouterr().err
    assert main(["rehearse", str(tmp_path / "none.yaml"), "--headless"]) == 2
    assert "none.yaml" in capsys.readouterr().err
