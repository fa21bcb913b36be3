"""The one table of what can be asked of the engine.

Key bindings, footer, help, command palette, shell and engine all read it. A request names an
action and its arguments; `permits` names the checks that must hold (see `console.rules.permits`),
`confirm` what a console asks of the operator first.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Confirm(StrEnum):
    """What an operator does before the request goes out."""

    NONE = "none"  # it goes at once
    KEY = "key"  # a second key
    DIALOG = "dialog"  # a dialog that names the consequence


class Scope(StrEnum):
    """What an action is asked of."""

    PROPS = "props"  # one prop, the props of a zone, or all: argument `props`, a list of names
    PROP = "prop"  # exactly one prop: argument `prop`
    SITE = "site"  # the whole site


@dataclass(frozen=True, slots=True)
class Action:
    """One thing that can be asked. `needs` are arguments besides those of the scope."""

    id: str
    title: str
    help: str
    scope: Scope
    key: str = ""
    needs: tuple[str, ...] = ()
    permits: tuple[str, ...] = ()
    confirm: Confirm = Confirm.NONE
    durable: bool = False
    """Refused where the ledger cannot commit: stop and disarm never are."""


_ALIVE = ("online", "matching")
_START = (
    *_ALIVE,
    "not_stopped",
    "stop_input_closed",
    "not_tagged",
    "not_paused",
    "no_fault",
    "supply",
    "pressure",
)

ACTIONS: tuple[Action, ...] = (
    Action(
        "arm",
        "Arm",
        "Let the prop answer triggers.",
        Scope.PROPS,
        "a",
        permits=(*_START, "checked"),
    ),
    Action("disarm", "Disarm", "Let the prop answer no trigger.", Scope.PROPS, "d"),
    Action(
        "fire",
        "Fire",
        "Run one cycle now, by hand.",
        Scope.PROP,
        "f",
        permits=(*_START, "checked", "armed", "rested", "area_clear", "home"),
        confirm=Confirm.KEY,
    ),
    Action(
        "test",
        "Test",
        "Run one cycle with the prop disarmed, somebody watching.",
        Scope.PROP,
        "t",
        needs=("sequence",),
        permits=(*_START, "disarmed", "rested", "area_clear"),
        confirm=Confirm.KEY,
    ),
    Action(
        "switch",
        "Switch sequence",
        "Choose the sequence of the cycles to come.",
        Scope.PROPS,
        "s",
        needs=("sequence",),
        permits=_ALIVE,
    ),
    Action(
        "hand_only",
        "Hand only",
        "Ignore the sensor, or heed it again.",
        Scope.PROPS,
        "h",
        needs=("on",),
        permits=_ALIVE,
    ),
    Action(
        "mend",
        "Acknowledge fault",
        "Say that the fault has been seen to; the prop becomes disarmed.",
        Scope.PROP,
        "m",
        permits=_ALIVE,
    ),
    Action(
        "rearm",
        "Arm again",
        "Arm what was armed before, less what is tagged, faulted or unchecked.",
        Scope.SITE,
        "r",
        permits=("not_stopped",),
        confirm=Confirm.DIALOG,
    ),
    Action(
        "clear",
        "Clear the all-stop",
        "End the all-stop. Starts nothing and leaves everything disarmed.",
        Scope.SITE,
        "c",
        needs=("stop", "by", "why"),
        confirm=Confirm.DIALOG,
        durable=True,
    ),
    Action(
        "leave_out",
        "Leave a controller out",
        "Its air is closed by hand; it stays stopped when the all-stop is cleared.",
        Scope.SITE,
        "l",
        needs=("controller", "by"),
        confirm=Confirm.DIALOG,
        durable=True,
    ),
    Action(
        "open_night",
        "Open the night",
        "Begin to count this opening.",
        Scope.SITE,
        "o",
        needs=("by",),
        confirm=Confirm.DIALOG,
        durable=True,
    ),
    Action(
        "close_night",
        "Close the night",
        "Disarm everything and end this opening.",
        Scope.SITE,
        "O",
        needs=("by",),
        confirm=Confirm.DIALOG,
    ),
    Action(
        "acknowledge",
        "Acknowledge alarm",
        "Say that the alarm was seen; `all` for every one.",
        Scope.SITE,
        "k",
        needs=("alarm",),
    ),
    Action(
        "upload",
        "Send the site file's sequences",
        "Replace what the controller holds while a night is running.",
        Scope.SITE,
        "U",
        needs=("controller",),
        confirm=Confirm.DIALOG,
    ),
    Action(
        "service",
        "Record a service",
        "Say that a part was serviced or replaced.",
        Scope.SITE,
        "v",
        needs=("part", "kind", "by", "note"),
        confirm=Confirm.DIALOG,
        durable=True,
    ),
    Action(
        "leak_test",
        "Record a leak test",
        "Say how far the tank fell in which time with nothing in use.",
        Scope.SITE,
        "L",
        needs=("from_psi", "to_psi", "minutes", "by"),
        confirm=Confirm.DIALOG,
        durable=True,
    ),
    Action(
        "send_group",
        "Send a group",
        "Say who goes in: size, strength, what they are spared, a note.",
        Scope.SITE,
        "g",
        needs=("strength",),
        permits=("not_stopped", "stop_input_closed"),
        confirm=Confirm.DIALOG,
    ),
    Action(
        "repeat_group",
        "Send another such group",
        "Send a group like the last one.",
        Scope.SITE,
        "G",
        permits=("not_stopped", "stop_input_closed"),
    ),
    Action(
        "correct_group",
        "Correct a group",
        "Say where a group is: in a zone, one zone `on` or `back`, or that it has `left`.",
        Scope.SITE,
        "j",
        needs=("group", "zone"),
    ),
    Action(
        "quiet_zone",
        "Quiet for this group",
        "Nothing but what is quiet in a zone for the group in it; back behind them by itself.",
        Scope.SITE,
        "y",
        needs=("zone",),
    ),
    Action(
        "release_switch",
        "Follow the groups again",
        "Let groups choose the sequence of a prop that was switched by hand.",
        Scope.PROPS,
        "S",
    ),
    Action("rain", "Rain", "Disarm every prop that stands outdoors.", Scope.SITE, "R"),
    Action(
        "tag",
        "Tag",
        "Hold the prop while you work on it. It is disarmed and refuses everything.",
        Scope.PROP,
        "b",
        needs=("by", "reason"),
        confirm=Confirm.DIALOG,
        durable=True,
    ),
    Action(
        "untag",
        "Lift my tag",
        "Only the person named on the tag lifts it.",
        Scope.PROP,
        "B",
        needs=("by",),
        confirm=Confirm.DIALOG,
        durable=True,
    ),
    Action(
        "hand_over_tag",
        "Hand my tag over",
        "Somebody else takes over the work, and the tag.",
        Scope.PROP,
        "H",
        needs=("by", "to"),
        confirm=Confirm.DIALOG,
        durable=True,
    ),
    Action(
        "lift_tag",
        "Lift an absent person's tag",
        "Two people say how they know that the owner is away and nobody is inside.",
        Scope.PROP,
        "Y",
        needs=("owner", "by", "second", "note"),
        confirm=Confirm.DIALOG,
        durable=True,
    ),
    Action(
        "test_break",
        "Test break",
        "With everybody clear, hold one motion on by hand; tagged again on release.",
        Scope.PROP,
        "T",
        needs=("by", "output", "people_clear"),
        confirm=Confirm.DIALOG,
        durable=True,
    ),
    Action(
        "note",
        "Note something",
        "Write down what happened, with the two minutes before it.",
        Scope.SITE,
        "i",
        needs=("by", "text"),
        confirm=Confirm.DIALOG,
    ),
    Action(
        "pause",
        "Pause the night",
        "Disarm everything and hold the groups: weather, an incident.",
        Scope.SITE,
        "P",
        needs=("by", "why"),
        confirm=Confirm.DIALOG,
    ),
    Action(
        "resume",
        "Resume the night",
        "Go on after a pause; what was armed is offered for arming again.",
        Scope.SITE,
        "N",
        needs=("by",),
        confirm=Confirm.DIALOG,
    ),
    Action(
        "hand_over",
        "Hand the desk over",
        "One page for the next shift: tags, props left out, overrides, what is due.",
        Scope.SITE,
        "D",
        needs=("by", "to"),
        confirm=Confirm.DIALOG,
    ),
    Action(
        "override",
        "Override a check",
        "Let one check not hold for this prop until the night closes, with name and reason.",
        Scope.PROP,
        "V",
        needs=("check", "by", "why"),
        confirm=Confirm.DIALOG,
        durable=True,
    ),
    Action(
        "check",
        "Check off",
        "Say, by name, that an item of the opening check holds, with what the gauge reads.",
        Scope.SITE,
        "C",
        needs=("item", "by"),
        confirm=Confirm.DIALOG,
        durable=True,
    ),
    Action(
        "uncheck",
        "Take back",
        "Take an item of the opening check back that does not hold after all.",
        Scope.SITE,
        "Q",
        needs=("item", "by"),
        confirm=Confirm.KEY,
    ),
    Action(
        "recheck",
        "Check again",
        "Begin a prop's part of the opening check anew; it is disarmed until then.",
        Scope.PROP,
        "E",
        needs=("by",),
        confirm=Confirm.KEY,
    ),
    Action(
        "sign_in",
        "Sign in",
        "Join the shift; names in the opening check come from it.",
        Scope.SITE,
        "I",
        needs=("by",),
        confirm=Confirm.DIALOG,
    ),
    Action(
        "open_up",
        "Open up",
        "Arm what should be armed, one after another as the air allows.",
        Scope.SITE,
        "A",
        needs=("by",),
        permits=("not_stopped", "stop_input_closed"),
        confirm=Confirm.DIALOG,
    ),
    Action(
        "close_up",
        "Close up",
        "The last guest is out: disarm everything, and list what is left to do.",
        Scope.SITE,
        "X",
        needs=("by",),
        confirm=Confirm.DIALOG,
    ),
    Action(
        "hold",
        "Hold on",
        "Hold the motion of a test break on for a moment.",
        Scope.PROP,
        needs=("on",),
    ),
    Action("why", "Why not?", "List what keeps a prop from being armed or fired.", Scope.PROP, "w"),
)

BY_ID: dict[str, Action] = {action.id: action for action in ACTIONS}
