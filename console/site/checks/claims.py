"""Things that only one may have: outputs, inputs, addresses, ids, ports, names."""

from __future__ import annotations

from collections.abc import Iterator

from console.site.capacity import MAX_SHARED, POLL_BYTES
from console.site.draft import Draft, Path
from console.site.models import Prop
from console.site.problems import Problem, shown
from console.site.wording import owner


class _Ledger:
    """Who claimed what first."""

    def __init__(self, draft: Draft) -> None:
        self.draft = draft
        self.first: dict[tuple[object, ...], Path] = {}

    def claim(
        self, claim: tuple[object, ...], path: Path, what: str, remedy: str, *, at_key: bool = False
    ) -> Iterator[Problem]:
        before = self.first.setdefault(claim, path)
        if before is not path:
            line = self.draft.document.place(before).line
            yield self.draft.problem(
                path,
                f"{what} is taken by {owner(before[:-1])}, on line {line}",
                remedy,
                at_key=at_key,
            )


def outputs_are_claimed_once(draft: Draft) -> Iterator[Problem]:
    """No two motions or outputs of a controller have one number."""
    ledger = _Ledger(draft)
    for prop in draft.site.props:
        path: Path = ("props", prop.name)
        claims = [((*path, "motions", m.name, "output"), m.output) for m in prop.motions]
        claims += [((*path, "outputs", o.name, "output"), o.output) for o in prop.outputs]
        for where, number in claims:
            yield from ledger.claim(
                (prop.controller, number),
                where,
                f"output {number} of controller {prop.controller}",
                "give one of them another output, and wire it there",
            )


def inputs_of(prop: Prop) -> Iterator[tuple[Path, int]]:
    """Where a prop names inputs, and which."""
    path: Path = ("props", prop.name)
    for name, trigger in (
        ("sensor", prop.triggered_by.sensor),
        ("actor", prop.triggered_by.actor),
    ):
        if trigger is not None and trigger.input is not None:
            yield (*path, "triggers", name, "input"), trigger.input
    if prop.clear_area is not None:
        yield (*path, "clear_area", "input"), prop.clear_area.input
    for motion in prop.motions:
        for end in ("out", "home"):
            found = getattr(motion.end_sensor, end)
            if found is not None:
                yield (*path, "motions", motion.name, "end_sensor", end, "input"), found.input


def inputs_are_claimed_once(draft: Draft) -> Iterator[Problem]:
    """No two sensors or buttons of a controller have one number."""
    ledger = _Ledger(draft)
    for prop in draft.site.props:
        for where, number in inputs_of(prop):
            yield from ledger.claim(
                (prop.controller, number),
                where,
                f"input {number} of controller {prop.controller}",
                "give one of them another input, and wire it there",
            )


def boards_are_told_apart(draft: Draft) -> Iterator[Problem]:
    """Board ids are unique, and addresses on a line."""
    ledger = _Ledger(draft)
    for controller in draft.site.controllers:
        path: Path = ("controllers", controller.name)
        yield from ledger.claim(
            ("id", controller.board_id),
            (*path, "board_id"),
            f"the board id {controller.board_id}",
            "give each board an id of its own, in its settings and here",
        )
        where: Path = (*path, "address")
        yield from ledger.claim(
            ("address", controller.line, controller.address),
            where if draft.written(where) else path,
            f"address {controller.address} on line {controller.line}",
            "boards that share a line each need an `address` of their own",
        )


def ports_are_claimed_once(draft: Draft) -> Iterator[Problem]:
    """No two lines lead to one port."""
    ledger = _Ledger(draft)
    for line in draft.site.lines:
        for key in ("usb_serial", "usb_location", "path", "url"):
            value = getattr(line, key)
            if value is not None:
                yield from ledger.claim(
                    (key, value),
                    ("lines", line.name, key),
                    f"the port {shown(value)}",
                    "boards on one port share one line, each by address; adapters that carry the "
                    "same serial number are told apart by `usb_location`",
                )


def names_are_told_apart(draft: Draft) -> Iterator[Problem]:
    """Within a prop motions and outputs have different names; so have props and zones."""
    for prop in draft.site.props:
        path: Path = ("props", prop.name)
        motions = {m.name for m in prop.motions}
        for output in prop.outputs:
            if output.name in motions:
                yield draft.problem(
                    (*path, "outputs", output.name),
                    f"prop {prop.name} has a motion and an output called {shown(output.name)}",
                    "rename one; steps switch both by name",
                    at_key=True,
                )
        for section, names in (("motions", motions), ("outputs", {o.name for o in prop.outputs})):
            for name in sorted(names & {"at", "partial"}):
                yield draft.problem(
                    (*path, section, name),
                    f"{shown(name)} has a meaning of its own in steps",
                    "choose another name",
                    at_key=True,
                )
    for name in draft.names("props"):
        if name == "all" or name in draft.names("zones"):
            also = "means every prop" if name == "all" else "is a zone, too"
            yield draft.problem(
                ("props", name),
                f"a prop cannot be called {shown(name)}, which {also}",
                "choose another name for the prop",
                at_key=True,
            )


def shared_lines_work(draft: Draft) -> Iterator[Problem]:
    """A shared line carries one kind of controller, not too many, and fast enough."""
    site = draft.site
    for line in site.lines:
        sharing = site.controllers_of_line(line.name)
        if len(sharing) < 2:
            continue
        for controller in sharing[1:]:
            if controller.driver != sharing[0].driver:
                yield draft.problem(
                    ("controllers", controller.name, "driver"),
                    f"line {line.name} carries controllers of two kinds",
                    "give each kind of controller a line of its own",
                )
        if len(sharing) > MAX_SHARED:
            yield draft.problem(
                ("lines", line.name),
                f"line {line.name} is shared by {len(sharing)} controllers",
                f"at most {MAX_SHARED} can share one; put some on another line",
                at_key=True,
            )
            continue
        turn_ms = len(sharing) * POLL_BYTES * 10_000 / line.baud
        allowed_ms = site.rules.heartbeat_ms / 4
        if turn_ms > allowed_ms:
            yield draft.problem(
                ("lines", line.name),
                f"asking all {len(sharing)} controllers of line {line.name} takes "
                f"{turn_ms:.0f} ms, and each must hear something every {allowed_ms:.0f} ms",
                "raise its baud, move some to another line, or lengthen `heartbeat` in the rules",
                at_key=True,
            )


CHECKS = (
    outputs_are_claimed_once,
    inputs_are_claimed_once,
    boards_are_told_apart,
    ports_are_claimed_once,
    names_are_told_apart,
    shared_lines_work,
)
