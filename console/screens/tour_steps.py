"""What the tour of the keys teaches, step by step. Pure.

There are two tables. On simulated boards each step has its keys pressed in earnest. On a real site
nobody's training may move a prop: its steps only look, and name the keys that do more.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from console.screens.store import Store
from console.views.models import PropState, PropView


@dataclass(frozen=True, slots=True)
class Sight:
    """What one console has before it at one moment, `at_s` of the monotonic clock.

    `screen` is the title of what is on top, `place` that of the screen below every dialog, `prop`
    the name under the cursor. `did` counts what was done from this console by action;
    `pressed` is whether an all-stop is on its way and not answered.
    """

    store: Store
    screen: str = ""
    place: str = ""
    prop: str = ""
    did: Mapping[str, int] = field(default_factory=dict)
    pressed: bool = False
    at_s: float = 0.0

    @property
    def chosen(self) -> PropView | None:
        """The prop under the cursor."""
        return self.store.prop(self.prop)


Seen = Callable[[Sight, Sight], bool]
"""Whether a step was done, by what is seen now and what was seen as it began."""


class StopPart(StrEnum):
    """What an all-stop has to do with a step. In every other step one ends the tour."""

    NONE = "none"  # nothing
    ASKED = "asked"  # it is what the step asks for
    CLEARED = "cleared"  # the step clears the one that was asked for


TYPED = "…"
"""Among the keys of a step: a few words are typed here."""


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do: the keys, what they do, and how it is seen that it was done.

    `on_floor` keys work on the floor only. `applies` is asked when the step's turn comes.
    """

    keys: tuple[str, ...]
    text: str
    done: Seen
    on_floor: bool = False
    stop: StopPart = StopPart.NONE
    applies: Callable[[Sight], bool] = lambda now: True


def _did(action: str, also: Seen = lambda now, then: True) -> Seen:
    """It was done from here since the step began, and `also` is seen."""

    def done(now: Sight, then: Sight) -> bool:
        return now.did.get(action, 0) > then.did.get(action, 0) and also(now, then)

    return done


def _moved(now: Sight, then: Sight) -> bool:
    return bool(now.prop) and now.prop != then.prop


def _reached(title: str) -> Seen:
    """Another screen was on top before."""

    def done(now: Sight, then: Sight) -> bool:
        return now.screen.startswith(title) and not then.screen.startswith(title)

    return done


def _nothing_armed(now: Sight, then: Sight) -> bool:
    return not any(p.state is PropState.ARMED for p in now.store.props)


def _all_armed(now: Sight, then: Sight) -> bool:
    """Every prop that nothing keeps from it."""
    return not any(p.state is PropState.DISARMED and not p.arm_refusals for p in now.store.props)


def _moves(now: Sight, then: Sight) -> bool:
    """The chosen prop runs a cycle, or has run one between two looks."""
    prop, before = now.chosen, then.store.prop(now.prop)
    if prop is None or before is None:
        return False
    moving = prop.state in (PropState.RUNNING, PropState.RESTING)
    return moving or prop.cycles_life > before.cycles_life


def _newly_latched(now: Sight, then: Sight) -> bool:
    return now.store.stop.latched and not then.store.stop.latched


_NO_SAFETY = (
    "It is software and never the safety device: where somebody may be hurt, use the hardwired "
    "stop."
)

SIMULATED: tuple[Step, ...] = (
    Step(
        ("down",),
        "Each row is a prop, zone by zone. Keys act on the one that you choose.",
        _moved,
        on_floor=True,
    ),
    Step(
        ("e", "d"),
        "e lets the next key act on everything, once. d disarms: no trigger moves it.",
        _did("disarm", _nothing_armed),
        on_floor=True,
    ),
    Step(
        ("w", "escape"),
        "What keeps this prop from being armed or fired, and what to do about it.",
        _did("why"),
        on_floor=True,
    ),
    Step(
        ("e", "a"),
        "Arm all. A word with … is asked for and not yet confirmed by the board.",
        _did("arm", _all_armed),
        on_floor=True,
    ),
    Step(
        ("s", "2"),
        "Choose another sequence for this prop, from its next cycle on.",
        _did("switch"),
        on_floor=True,
    ),
    Step(
        ("f", "enter"),
        "Fire it by hand. While it runs or rests it refuses: wait, or choose another.",
        _did("fire", _moves),
        on_floor=True,
    ),
    Step(
        ("g", "2"),
        "Send the next group, mild. Props follow each group through the walk.",
        _did("send_group"),
        applies=lambda now: now.store.headway is not None,
    ),
    Step(
        ("i", "1", TYPED, "enter", "enter"),
        "Note an incident: type what happened. Its prop is disarmed and left out.",
        _did("note"),
        on_floor=True,
    ),
    Step(
        ("f9",),
        f"All-stop: F9 or Ctrl+X, anywhere, in dialogs too. {_NO_SAFETY}",
        _newly_latched,
        stop=StopPart.ASKED,
    ),
    Step(
        ("c", TYPED, "enter", "enter"),
        "Clear it in two steps, once everybody is clear. Everything stays disarmed.",
        _did("clear", lambda now, then: not now.store.stop.latched),
        stop=StopPart.CLEARED,
        applies=lambda now: now.store.stop.latched,
    ),
)
"""For a demo or a rehearsal: everything that moves in it is simulated."""

REAL: tuple[Step, ...] = (
    Step(
        ("down",),
        "A real site: this tour only looks. `sexton demo` has the whole of it.",
        _moved,
        on_floor=True,
    ),
    Step(
        ("enter",),
        "A prop's page. Here and on the floor a arms, d disarms, s switches, f fires.",
        _reached("Prop"),
        on_floor=True,
    ),
    Step(
        ("w", "escape"),
        "What keeps this prop from being armed or fired, and what to do about it.",
        _did("why"),
    ),
    Step(
        ("2",),
        "F9 or Ctrl+X stops everything, anywhere. Here is how far a stop has come.",
        _reached("All-stop"),
    ),
    Step(("f3",), f"c clears a stop in two steps. {_NO_SAFETY}", lambda now, then: False),
    Step(
        ("3",),
        "What wants somebody, and what to do. The first stands atop every screen.",
        _reached("Alarms"),
    ),
    Step(
        ("6",),
        "The groups on their way. g sends the next one, then a number says how strong.",
        _reached("Walk"),
    ),
    Step(
        ("9",),
        "The opening check leads through bringing the site up and closing it.",
        _reached("Opening"),
    ),
    Step(
        ("1",),
        "Back to the floor. i notes what happened, with the two minutes before it.",
        _reached("Floor"),
    ),
    Step(
        ("question_mark", "escape"),
        "What a screen is for, and the keys that work there now. F2 lists all keys.",
        _did("help"),
    ),
)
"""For a real site: keys that look. The all-stop is shown and not asked for."""
