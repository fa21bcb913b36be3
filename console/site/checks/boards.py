"""What boards and lines can do."""

from __future__ import annotations

import re
from collections.abc import Iterator

from console.site.capacity import KNOWN_BAUDS, KNOWN_DRIVERS, Capacity, capacity_of
from console.site.checks.claims import inputs_of
from console.site.draft import Draft, Path
from console.site.models import BoardSize, Controller
from console.site.problems import Problem, Severity, shown
from console.site.wording import near

PORT_KEYS = ("usb_serial", "usb_location", "path", "url")
URL_SCHEMES = ("socket", "rfc2217", "loop", "spy", "alt", "hwgrep")
"""What pyserial opens by URL."""


def lines_lead_to_a_port(draft: Draft) -> Iterator[Problem]:
    """Each line has exactly one way to its port, and a usual speed."""
    for line in draft.site.lines:
        path: Path = ("lines", line.name)
        if not draft.intact(path):
            continue
        given = [key for key in PORT_KEYS if getattr(line, key) is not None]
        if len(given) != 1:
            message = (
                f"line {line.name} doesn't say where its port is"
                if not given
                else f"line {line.name} says {len(given)} times where its port is: "
                f"{', '.join(given)}"
            )
            yield draft.problem(
                path,
                message,
                f"give exactly one of {', '.join(PORT_KEYS)}; `sexton ports` shows what is there",
                at_key=True,
            )
        if line.path is not None and not re.match(r"/|COM\d|\\\\", line.path):
            yield draft.problem(
                (*path, "path"),
                f"{shown(line.path)} is no whole path",
                "write it from the root, such as /dev/ttyUSB0",
            )
        if line.url is not None:
            scheme = line.url.partition("://")[0]
            if scheme not in URL_SCHEMES or "://" not in line.url:
                yield draft.problem(
                    (*path, "url"),
                    f"{shown(line.url)} is no URL of a serial port",
                    "write one like socket://192.168.1.20:4001 or rfc2217://192.168.1.20:4001",
                )
        if line.baud not in KNOWN_BAUDS:
            yield draft.problem(
                (*path, "baud"),
                f"{line.baud} is no usual speed of a serial line",
                f"one of {', '.join(map(str, KNOWN_BAUDS))}; boards come set to 115200",
            )


def drivers_are_known(draft: Draft) -> Iterator[Problem]:
    """Each controller is of a kind that can be spoken to."""
    for controller in draft.site.controllers:
        if controller.driver not in KNOWN_DRIVERS:
            yield draft.problem(
                ("controllers", controller.name, "driver"),
                f"no driver is called {shown(controller.driver)}",
                near(controller.driver, KNOWN_DRIVERS, f"known: {', '.join(KNOWN_DRIVERS)}"),
            )


def boards_are_large_enough(draft: Draft) -> Iterator[Problem]:
    """Props, outputs, inputs, sequences and steps fit into each board."""
    for controller in draft.site.controllers:
        room = capacity_of(controller.driver, controller.board)
        yield from _numbers_fit(draft, controller, room)
        yield from _memory_fits(draft, controller, room)


def _note(controller: Controller) -> str:
    small = controller.board is BoardSize.SMALL
    return "a small board" if small else "a standard board"


def _numbers_fit(draft: Draft, controller: Controller, room: Capacity) -> Iterator[Problem]:
    for prop in draft.site.props_of_controller(controller.name):
        path: Path = ("props", prop.name)
        outputs = [((*path, "motions", m.name, "output"), m.output) for m in prop.motions]
        outputs += [((*path, "outputs", o.name, "output"), o.output) for o in prop.outputs]
        for what, most, claims in (
            ("output", room.outputs, outputs),
            ("input", room.inputs, list(inputs_of(prop))),
        ):
            for where, number in claims:
                if number > most:
                    yield draft.problem(
                        where,
                        f"controller {controller.name} has no {what} {number}",
                        f"{_note(controller)} has {what}s 1 to {most}",
                    )


def _memory_fits(draft: Draft, controller: Controller, room: Capacity) -> Iterator[Problem]:
    props = draft.site.props_of_controller(controller.name)
    if len(props) > room.props:
        yield draft.problem(
            ("props", props[room.props].name),
            f"controller {controller.name} drives {len(props)} props",
            f"{_note(controller)} drives at most {room.props}; put some on another one",
            at_key=True,
        )
    stored = 0
    told = False
    for prop in props:
        path: Path = ("props", prop.name)
        timelines: list[tuple[Path, int]] = [
            ((*path, "sequences", s.name), len(s.steps)) for s in prop.sequences
        ]
        if prop.idle is not None:
            timelines.append(((*path, "idle"), len(prop.idle.steps)))
        for where, steps in timelines:
            stored += 1
            if stored > room.sequences and not told:
                told = True
                yield draft.problem(
                    where,
                    f"controller {controller.name} would have to hold more than "
                    f"{room.sequences} sequences, idle movements included",
                    f"{_note(controller)} holds {room.sequences}; leave some out, or move a prop",
                    at_key=True,
                )
            if steps > room.steps:
                yield draft.problem(
                    where,
                    f"{steps} steps are more than controller {controller.name} can hold",
                    f"{_note(controller)} holds {room.steps} in one sequence; each output "
                    "that a step switches counts",
                    at_key=True,
                )


def addresses_are_needed(draft: Draft) -> Iterator[Problem]:
    """Every controller of a shared line states its address, so that nobody relies on a default."""
    for controller in draft.site.controllers:
        path: Path = ("controllers", controller.name)
        if controller.shared and not draft.written((*path, "address")) and draft.intact(path):
            yield draft.problem(
                path,
                f"controller {controller.name} shares line {controller.line} and states no address",
                f"add `address: {controller.address}`, as set on the board",
                at_key=True,
                severity=Severity.WARNING,
            )


CHECKS = (
    lines_lead_to_a_port,
    drivers_are_known,
    boards_are_large_enough,
    addresses_are_needed,
)
