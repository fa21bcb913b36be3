"""A whole night in virtual time on the firmware: from opening check to report."""

from __future__ import annotations

import json
from collections import Counter
from typing import Any

import pytest

from console.cli import main
from console.views.models import PropState
from tests.engine.night import Night
from tests.opening.conftest import MakeYard
from tests.opening.opening_people import PERSON, opening, row, walk_all

BOARDS = 3


def report(night: Night, capsys: pytest.CaptureFixture[str]) -> dict[str, list[dict[str, Any]]]:
    """The rows of every section of `sexton report`."""
    capsys.readouterr()
    words = ["report", "--ledger", str(night.path), "--night", "last", "--format", "json"]
    assert main(words) == 0
    sections = json.loads(capsys.readouterr().out)["sections"]
    return {name: section["rows"] for name, section in sections.items()}


def guests(night: Night, rounds: int, made: Counter[str]) -> None:
    """Groups walk over the mats; what is armed answers."""
    for _ in range(rounds):
        for n, prop in enumerate(night.site.props, start=1):
            armed = night.state(prop.name) is PropState.ARMED
            night.trigger(f"board-{n}")
            night.run(1500)
            made[prop.name] += armed


def test_a_night_from_opening_check_to_report(
    yard: MakeYard, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two incidents, an all-stop, an engine killed; the report's figures are what the boards and
    this script did."""
    here = yard(BOARDS)
    made: Counter[str] = Counter()
    assert here.ask("open_night", by=PERSON)["ok"]
    assert here.ask("sign_in", by="Bo")["ok"]
    walk_all(here)
    assert opening(here).next == ()
    assert here.ask("open_up", by="Bo")["result"]["done"] == [p.name for p in here.site.props]
    here.until(lambda: all(here.state(p.name) is PropState.ARMED for p in here.site.props))

    sent = 0
    for _ in range(3):
        answer = here.ask("send_group", size=5, strength="strong", by="Bo")
        assert answer["ok"], answer
        sent += 1
        guests(here, 2, made)
        here.run(120_000)

    assert here.ask("note", text="slipped on the step", by="Bo", incident=True)["ok"]
    here.stop("key F9")
    here.run(2000)
    assert here.ask("clear", stop=here.stop_view.id, by=PERSON, why="guest is well")["ok"]
    here.until(lambda: all(here.state(p.name) is PropState.DISARMED for p in here.site.props))
    assert here.ask("rearm")["ok"]
    here.until(lambda: all(here.state(p.name) is PropState.ARMED for p in here.site.props))
    assert opening(here).next == (), "a stop in the night asks for no second opening check"
    guests(here, 2, made)

    here.kill_engine()
    here.start_engine()
    here.until(here.live)
    here.run(1000)
    assert opening(here).next == ()
    here.until(lambda: all(here.state(p.name) is PropState.DISARMED for p in here.site.props))
    assert here.ask("note", text="lid sticks", by="Bo", prop="prop-2", incident=True)["ok"]
    answer = here.ask("open_up", by="Bo")
    assert list(answer["result"]["refused"]) == ["prop-2"]
    here.until(lambda: here.state("prop-3") is PropState.ARMED)
    guests(here, 3, made)
    assert here.state("prop-2") is PropState.DISARMED

    assert here.ask("close_up", by=PERSON, anyway=True)["ok"]
    for item in opening(here).items:
        prop = {} if item.subject == "site" else {"prop": item.subject}
        assert here.ask("check", item=item.item, by="Bo", **prop)["ok"]
    assert row(here, "site", "drain").by == "Bo"
    assert here.ask("close_night", by=PERSON)["ok"]
    here.until(lambda: here.core.world.night is None)
    here.run(2000)
    here.until(lambda: here.core.recorder.waiting == 0)

    found = report(here, capsys)
    tests = 1
    by_prop = {r["prop"]: r for r in found["cycles"]}
    assert {n: r["sensor"] for n, r in by_prop.items()} == dict(made)
    assert {r["test"] for r in by_prop.values()} == {tests}
    on_boards = {
        p.name: here.core.recorder.cycles_of(here.core.world.props[p.name]) for p in here.site.props
    }
    assert {n: r["cycles"] for n, r in by_prop.items()} == on_boards
    (groups,) = found["groups"]
    assert (groups["groups"], groups["guests"]) == (sent, 5 * sent)
    assert [r["text"] for r in found["notes"]] == ["slipped on the step", "lid sticks"]
    assert [r["kind"] for r in found["notes"]] == ["incident", "incident"]
    # One stop tested every hardwired stop and the key, the other was in earnest.
    assert len(found["stops"]) == 2
    checked = Counter(r["who"] for r in found["opening"])
    assert checked["Bo"] == BOARDS + 3
    assert checked[PERSON] == 2 * BOARDS + 3
    assert {r["reading"] for r in found["opening"] if "gauge" in r["item"]} == {"61 psi"}
    (night,) = found["nights"]
    assert night["opened_by"] == PERSON == night["closed_by"]
    assert night["cycles"] == sum(on_boards.values())
