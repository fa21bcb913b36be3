"""An opening check under way at the Morrowfen Ice Works, for pilots and pictures."""

from __future__ import annotations

import time

from console.views.models import CheckView, Entity, OpeningView, PropView

BY_HAND, READING, WATCHED, ITSELF = "by hand", "by reading", "watched", "by itself"
UNTESTED = {"ice-house-door": "1 test", "ice-saw": "not run yet", "hoist": "not run yet"}


def opening(found: dict[str, Entity], *, closing: bool = False) -> OpeningView:
    """What an engine would have sent: the gate yard is done, the loft has not begun."""
    props = [e for e in found.values() if isinstance(e, PropView)]
    items = _closing(props) if closing else _opening(props)
    needed = [i for i in items if i.needed]
    open_ = [i for i in needed if not i.done]
    return OpeningView(
        required=True,
        closing=closing,
        items=tuple(items),
        done=len(needed) - len(open_),
        of=len(needed),
        next=(open_[0].subject, open_[0].item) if open_ else (),
        unchecked=("ice-house-door", "ice-saw", "pipe-burst", "hoist"),
        shift=("P. Marsh", "R. Alder"),
    )


def _check(
    subject: str, item: str, part: str, title: str, how: str, *, done: bool, said: str = "",
    reading: str = "", ready: bool = True, needed: bool = True,
) -> CheckView:  # fmt: skip
    by = "" if how == ITSELF else "R. Alder"
    return CheckView(
        subject, item, part, title, how, "Look at it yourself, then say so.", needed=needed,
        done=done, by=by if done else "", at_wall_ns=time.time_ns() if done else 0,
        reading=reading if done else "", said="" if done else said,
        ready=ready and not done and how != ITSELF,
    )  # fmt: skip


def _opening(props: list[PropView]) -> list[CheckView]:
    items = [
        _check("site", "temperature", "before", "temperature read outdoors", READING, done=True,
               reading="38 degF", needed=False),
        _check("site", "air", "before", "pressure reached", ITSELF, done=True, said="118 psi"),
        _check("site", "tags", "before", "tags cleared or accepted", "by itself or by hand",
               done=False, said="brine-hand: R. Alder"),
    ]  # fmt: skip
    for prop in props:
        lost = prop.name == "pipe-burst"
        items += [
            _check(prop.name, "found", prop.zone, "found", ITSELF, done=not lost,
                   said="no word from its controller"),
            _check(prop.name, "matches", prop.zone, "sequences match", ITSELF, done=not lost,
                   said="not known to match"),
        ]  # fmt: skip
        if prop.name == "ice-saw":
            items.append(_check(prop.name, "warm-up", prop.zone, "warm-up, 3 tests", ITSELF,
                                done=False, said="1 of 3", needed=False))  # fmt: skip
        untested = prop.name in UNTESTED or lost
        items += [
            _check(prop.name, "tested", prop.zone, "test-fired, somebody watching", WATCHED,
                   done=not untested, said=UNTESTED.get(prop.name, "not run yet"),
                   ready=UNTESTED.get(prop.name, "").endswith("test")),
            _check(prop.name, "gauge", prop.zone, "gauge reads 60 psi", READING,
                   done=not untested, reading="61 psi"),
        ]  # fmt: skip
    items += [
        _check("ice-house-1", "stop-input", "stops", "stop pressed: ice house, behind the panel",
               ITSELF, done=False, said="not pressed yet"),
        _check("site", "all-stop", "stops", "all-stop confirmed by every controller", ITSELF,
               done=False, said="not stopped yet tonight"),
        _check("site", "stop-key", "stops", "stop key of this keyboard pressed", ITSELF,
               done=False, said="not pressed yet"),
        _check("site", "exit-1", "last", "the side door of the boiler hall opens outwards and is "
               "lit", BY_HAND, done=False),
        _check("site", "chore-1", "last", "walk the whole path with the lights on", BY_HAND,
               done=True),
    ]  # fmt: skip
    return items


def _closing(props: list[PropView]) -> list[CheckView]:
    return [
        *(
            _check(p.name, "park", "closing", f"{p.title}: lid down, pin in", BY_HAND, done=n < 3)
            for n, p in enumerate(props)
        ),
        _check("site", "bleed", "closing", "air closed and bled down (behind the hut)", BY_HAND,
               done=False),
        _check("site", "drain", "closing", "water drained from the tank (shed)", BY_HAND,
               done=False),
    ]  # fmt: skip
