"""Which key does what: made from the table of actions and a small one of ways about.

Footer, help, list of all keys and command palette read the bindings that come out of here, so they
cannot differ from what the keys do.
"""

from __future__ import annotations

from dataclasses import dataclass

from textual.binding import Binding

from console.actions import ACTIONS, BY_ID, Action, Scope


@dataclass(frozen=True, slots=True)
class Way:
    """A key that changes what one looks at and asks nothing of the engine."""

    id: str
    key: str
    title: str
    help: str
    action: str


STOP_KEYS: tuple[Way, ...] = (
    Way("stop.f9", "f9", "ALL-STOP", "Stop everything, everywhere, now.", "app.all_stop('key F9')"),
    Way(
        "stop.ctrl-x",
        "ctrl+x",
        "ALL-STOP",
        "Stop everything, everywhere, now.",
        "app.all_stop('key Ctrl+X')",
    ),
)
"""They work everywhere: in dialogs and inputs too. No printable key is ever one of them."""

PLACES: tuple[Way, ...] = (
    Way("go.floor", "1", "Floor", "Every prop by zone.", "app.go('floor')"),
    Way("go.stop", "2", "All-stop", "How far an all-stop has come.", "app.go('stop')"),
    Way("go.alarms", "3", "Alarms", "What wants somebody, and what to do.", "app.go('alarms')"),
    Way("go.ledger", "4", "Ledger", "Cycles of this night and those before.", "app.go('ledger')"),
    Way("go.upkeep", "5", "Upkeep", "What is due, and recording a service.", "app.go('upkeep')"),
    Way("go.walk", "6", "Walk", "Groups on their way, and the next one's turn.", "app.go('walk')"),
    Way("go.air", "7", "Air", "How much air there is, and for how long.", "app.go('air')"),
    Way("go.opening", "9", "Opening", "The opening check, and closing up.", "app.go('opening')"),
    Way("go.season", "8", "Season", "Cycles of every prop, night by night.", "app.go('season')"),
)

EVERYWHERE: tuple[Way, ...] = (
    Way("see.help", "question_mark", "Help", "Help for this screen.", "app.help"),
    Way("see.keys", "f2", "All keys", "Every key of every screen.", "app.all_keys"),
    Way("see.palette", "ctrl+p", "Commands", "Find a command by name.", "app.palette"),
    Way("see.answer", "W", "Last answer", "The last answer in full.", "app.answer"),
    Way("see.dismiss", "escape", "Dismiss", "Back, or take the last answer away.", "screen.back"),
    Way(
        "see.quit",
        "q,ctrl+q,ctrl+c",
        "Leave",
        "Leave this console; the night goes on.",
        "app.leave",
    ),
)

TOUR_WAYS: tuple[Way, ...] = (
    Way("tour.go", "f3", "Tour", "Take the tour of the keys; in it, go on.", "app.tour"),
    Way("tour.end", "f4", "No tour", "End the tour of the keys, or skip it.", "app.end_tour"),
)
"""Keys that nothing else has and that type nothing, so that they work in dialogs and inputs too."""

FLOOR_WAYS: tuple[Way, ...] = (
    Way("floor.zone", "z", "Zone", "Let the next key act on the whole zone.", "screen.zone"),
    Way("floor.all", "e", "Everything", "Let the next key act on every prop.", "screen.everything"),
    Way("floor.open", "enter", "Open prop", "The chosen prop's own page.", "screen.open_prop"),
)

LIST_WAYS: tuple[Way, ...] = (
    Way("list.up", "up", "Up", "The row above.", "step(-1)"),
    Way("list.down", "down", "Down", "The row below.", "step(1)"),
    Way("list.page-up", "pageup", "Page up", "A screenful up.", "page(-1)"),
    Way("list.page-down", "pagedown", "Page down", "A screenful down.", "page(1)"),
    Way("list.first", "home", "First", "The first row.", "end(0)"),
    Way("list.last", "end", "Last", "The last row.", "end(1)"),
    Way("list.open", "enter", "Open", "Open or do what the row is for.", "open"),
)

PROP_WAYS: tuple[Way, ...] = (
    Way("prop.next", "right_square_bracket", "Next prop", "On along the walk.", "screen.turn(1)"),
    Way("prop.before", "left_square_bracket", "Prop before", "Back along it.", "screen.turn(-1)"),
)

ALARM_WAYS: tuple[Way, ...] = (
    Way(
        "alarms.all",
        "K",
        "Acknowledge all",
        "Say that all were seen.",
        "app.ask('acknowledge', 'all')",
    ),
)

WALK_WAYS: tuple[Way, ...] = (
    Way(
        "walk.on",
        "right_square_bracket",
        "Zone on",
        "The chosen group is one zone further on.",
        "screen.move('on')",
    ),
    Way(
        "walk.back",
        "left_square_bracket",
        "Zone back",
        "The chosen group is one zone back.",
        "screen.move('back')",
    ),
)

AIR_WAYS: tuple[Way, ...] = (
    Way("air.tests", "y", "Leak tests", "The season's leak tests, or back.", "screen.tests"),
)

OPENING_WAYS: tuple[Way, ...] = (
    Way("opening.all", "e", "Everything", "Also what is done, by whom.", "screen.everything"),
    Way("opening.next", "n", "Next", "To the next item of the walk.", "screen.next"),
)

LEDGER_WAYS: tuple[Way, ...] = (
    Way("ledger.night", "n", "Night", "Choose the night to list.", "screen.filter('night')"),
    Way("ledger.prop", "p", "Prop", "Choose the prop to list.", "screen.filter('prop')"),
    Way("ledger.outcome", "u", "Outcome", "Choose the outcome.", "screen.filter('outcome')"),
    Way("ledger.export", "x", "Export", "Write what is listed as CSV or JSON.", "screen.export"),
    Way("ledger.again", "f5", "Read again", "Read the ledger again.", "screen.read"),
)

UPKEEP_WAYS: tuple[Way, ...] = (
    Way("upkeep.open", "enter", "Open part", "The chosen part's own page.", "screen.open"),
    Way("upkeep.undo", "u", "Undo", "Take back what was just recorded.", "screen.undo"),
    Way("upkeep.all", "e", "Everything", "Also what nothing makes due.", "screen.everything"),
    Way("upkeep.again", "f5", "Read again", "Read the ledger again.", "screen.read"),
)

PART_WAYS: tuple[Way, ...] = (
    Way("part.next", "right_square_bracket", "Next chart", "Another one.", "screen.turn(1)"),
    Way("part.before", "left_square_bracket", "Chart before", "Back.", "screen.turn(-1)"),
    Way("part.undo", "u", "Undo", "Take back what was just recorded.", "screen.undo"),
)

SEASON_WAYS: tuple[Way, ...] = (
    Way("season.later", "right_square_bracket", "Later", "Nights after.", "screen.turn(1)"),
    Way("season.earlier", "left_square_bracket", "Earlier", "Nights before.", "screen.turn(-1)"),
)

SITE_ACTIONS = tuple(a for a in ACTIONS if a.scope is Scope.SITE and a.key)
PROP_ACTIONS = tuple(a for a in ACTIONS if a.scope is not Scope.SITE and a.key)


ORDER: tuple[str, ...] = (
    "ask.clear",
    "ask.rearm",
    "ask.leave_out",
    "ask.service",
    "ask.mend",
    *(f"ask.{name}" for name in ("check", "uncheck", "open_up", "close_up", "sign_in")),
    *(w.id for w in OPENING_WAYS),
    *(f"ask.{name}" for name in ("arm", "disarm", "fire", "switch")),
    "floor.zone",
    "floor.all",
    *(f"ask.{a.id}" for a in PROP_ACTIONS),
    *(w.id for w in (*FLOOR_WAYS, *PROP_WAYS, *UPKEEP_WAYS, *PART_WAYS, *SEASON_WAYS)),
    *(w.id for w in AIR_WAYS),
    "ask.send_group",
    "ask.repeat_group",
    "ask.correct_group",
    "ask.quiet_zone",
    "ask.acknowledge",
    *(w.id for w in (*ALARM_WAYS, *WALK_WAYS, *LEDGER_WAYS)),
    *(f"ask.{a.id}" for a in SITE_ACTIONS),
    *(w.id for w in (*PLACES, *EVERYWHERE, *TOUR_WAYS)),
)
"""In which order the footer shows what works now, the most wanted first."""


def _binding(way: Way, *, priority: bool = False, show: bool = True) -> Binding:
    return Binding(
        way.key, way.action, way.title, show, priority=priority, id=way.id, tooltip=way.help
    )


def ways(*table: Way, show: bool = True) -> list[Binding]:
    """Bindings for `table`; the footer leaves out those that are not to `show`."""
    return [_binding(way, show=show) for way in table]


def stop_bindings() -> list[Binding]:
    """The stop keys, before every other binding of whatever has the focus."""
    return [_binding(way, priority=True, show=False) for way in STOP_KEYS]


def tour_bindings() -> list[Binding]:
    """The keys of the tour, before those of dialogs and inputs."""
    return [_binding(way, priority=True) for way in TOUR_WAYS]


def ask_bindings(actions: tuple[Action, ...]) -> list[Binding]:
    """Bindings that ask for `actions`."""
    return [
        Binding(a.key, f"app.ask('{a.id}')", a.title, id=f"ask.{a.id}", tooltip=a.help)
        for a in actions
        if a.key
    ]


def action_of(binding: Binding) -> Action | None:
    """The action that a binding asks for, None for a way about."""
    return BY_ID.get(binding.id.removeprefix("ask.")) if binding.id else None


NAMES = {
    "question_mark": "?",
    "escape": "Esc",
    "enter": "Enter",
    "right_square_bracket": "]",
    "left_square_bracket": "[",
    "f9": "F9",
    "f2": "F2",
    "f3": "F3",
    "f4": "F4",
    "f5": "F5",
    "ctrl+x": "Ctrl+X",
    "ctrl+p": "Ctrl+P",
    "ctrl+q": "Ctrl+Q",
    "ctrl+c": "Ctrl+C",
}
"""Keys as they stand on the keyboard."""


def key_name(key: str) -> str:
    """How a key is written on screen."""
    return NAMES.get(key, key)


def prints(key: str) -> bool:
    """Whether a key types something where an input has the focus."""
    return len(NAMES.get(key, key)) == 1
