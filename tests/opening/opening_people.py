"""What people do in an opening check, for tests in virtual time."""

from __future__ import annotations

from console.ledger.reader import Reader
from console.ledger.rows import EventRow, Filter
from console.views.models import CheckView, OpeningView, PropState
from tests.engine.night import Night

PERSON = "Ada"


def opening(night: Night) -> OpeningView:
    """The opening check as consoles see it."""
    view = night.core.view("opening")
    assert isinstance(view, OpeningView)
    return view


def row(night: Night, subject: str, item: str) -> CheckView:
    """One item of it."""
    return next(i for i in opening(night).items if (i.subject, i.item) == (subject, item))


def events(night: Night, kind: str) -> list[EventRow]:
    """What the ledger holds of this kind."""
    night.until(lambda: night.core.recorder.waiting == 0)
    with Reader.open(night.path) as reader:
        return list(reader.events(Filter(kind=kind)))


def test_fire(night: Night, prop: str) -> None:
    """Run it once, and say that somebody watched."""
    before = len(night.prop(prop).last_cycles)
    night.until(lambda: night.state(prop) is PropState.DISARMED)
    night.run(500)
    assert night.ask("test", prop=prop, sequence="go")["ok"]
    night.until(lambda: len(night.prop(prop).last_cycles) > before)
    assert night.ask("check", prop=prop, item="tested", by=PERSON)["ok"]


test_fire.__test__ = False  # type: ignore[attr-defined]


def walk_prop(night: Night, prop: str) -> None:
    """A prop's own items."""
    test_fire(night, prop)
    assert night.ask("check", prop=prop, item="gauge", by=PERSON, reading="61")["ok"]


def press_stops(night: Night) -> None:
    """Press every hardwired stop, then the key at the desk, and clear it all once."""
    for board in night.boards.values():
        board.set_input(0, 0)
        night.run(400)
        board.set_input(0, 1)
        night.run(400)
    night.stop("key F9")
    night.until(lambda: not night.stop_view.clear_refusals)
    stop = night.stop_view.id
    assert night.ask("clear", stop=stop, by=PERSON, why="opening check")["ok"]
    night.until(lambda: all(night.state(p.name) is PropState.DISARMED for p in night.site.props))


def walk_site(night: Night) -> None:
    """What belongs to no prop."""
    assert night.ask("check", item="air", by=PERSON, reading="95 psi")["ok"]
    assert night.ask("leak_test", from_psi=100, to_psi=95, minutes=10, by=PERSON)["ok"]
    assert night.ask("check", item="exit-1", by=PERSON)["ok"]
    assert night.ask("check", item="chore-1", by=PERSON)["ok"]


def walk_all(night: Night) -> None:
    """The whole opening check of an opened night."""
    for prop in night.site.props:
        walk_prop(night, prop.name)
    press_stops(night)
    walk_site(night)
    night.run(600)
