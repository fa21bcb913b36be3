"""What is asked and only counts once it is in the ledger: one answer, whatever the disk does."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from console.engine.effects import Answer
from console.engine.recording import Recorder
from console.engine.world import World
from console.ledger.entries import Appended, Entry
from console.views.models import Refusal

Body = Mapping[str, object]


def durably(
    world: World,
    recorder: Recorder,
    client: int,
    request: int,
    entry: Entry,
    *,
    done: Callable[[Appended], Body],
    withdraw: Callable[[str], None] | None = None,
) -> None:
    """Write `entry` and answer the client once: with what `done` gives, or that it was not written.

    Where the disk fails and the entry is kept for later, the client is told at once. With
    `withdraw` the thing asked is given up then: `withdraw` undoes what was begun, `done` is never
    called, and a later entry says so. Without it the entry counts when it is written after all.
    """
    answered = withdrawn = False

    def answer(body: Body) -> None:
        nonlocal answered
        if not answered:
            answered = True
            world.emit(Answer(client, body))

    def on_done(appended: Appended) -> None:
        if withdrawn:
            kind = getattr(entry, "kind", "request")
            recorder.event(f"{kind}-withdrawn", "site", why="it could not be written in time")
        else:
            answer(done(appended))

    def on_failure(reason: str, *, kept: bool) -> None:
        nonlocal withdrawn
        if withdraw is not None and not withdrawn:
            withdrawn = True
            withdraw(reason)
        refusal = kept_for_later(reason) if kept and withdraw is None else not_durable(reason)
        answer(refused_body(request, (refusal,)))

    recorder.append(
        entry,
        done=on_done,
        given_up=lambda reason: on_failure(reason, kept=False),
        stuck=lambda reason: on_failure(reason, kept=True),
    )


def ok_body(request: int, result: Body | None = None) -> Body:
    """The answer that says yes."""
    return {"id": request, "ok": True, "result": dict(result or {})}


def refused_body(request: int, refusals: tuple[Refusal, ...]) -> dict[str, object]:
    """The answer that says no, with every reason."""
    return {
        "id": request,
        "ok": False,
        "refused": [
            {"check": r.check, "reason": r.reason, "remedy": r.remedy,
             "may_override": r.may_override}
            for r in refusals
        ],
    }  # fmt: skip


def not_durable(reason: str) -> Refusal:
    """What may only happen when it can be written down could not be."""
    return Refusal(
        "durable",
        f"the ledger cannot be written: {reason}",
        "Make room on the disk, then ask again.",
    )


def kept_for_later(reason: str) -> Refusal:
    """What was asked is written as soon as that is possible."""
    return Refusal(
        "durable",
        f"the ledger cannot be written: {reason}",
        "Make room on the disk. What was asked is kept and written then: do not ask again.",
    )
