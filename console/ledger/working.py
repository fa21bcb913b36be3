"""From what somebody says about work on a part to the entry that records it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from console.errors import UserError
from console.ledger.entries import ServiceEntry, ServiceKind
from console.site.fittings import Fitting, Key, Task, find

WEATHER: Key = ("", "", "weather")
"""Where readings of the weather are kept: `damp` 1 or 0, `temp_degf`."""

_LONGEST_NAME = 60
_LONGEST_NOTE = 400
_SLACK_NS = 60 * 10**9
_MOST_READINGS = 40


def entry_of(
    fittings: Sequence[Fitting], args: Mapping[str, object], now_wall_ns: int
) -> ServiceEntry:
    """The entry for the arguments of the action `service`.

    `part` is an id as `console.site.fittings.find` takes it, or a bare name with `prop` and
    `motion` beside it. `kind` is a ServiceKind, `by` and `note` are texts. There may be `readings`
    (a mapping), `task` (of a service; `all` is true where every one was done), `other` (the part
    that it changed places with), `about` (the `seq` of the entry that it corrects) and
    `done_wall_ns` (when, if not now).

    Raises UserError with what is wrong and what to do about it.
    """
    kind = _kind(args.get("kind"))
    by = _text(args, "by", _LONGEST_NAME)
    if not by:
        raise UserError("nobody is named who did it", "Give a name.")
    key, task = _place(fittings, args, kind)
    other = None
    if kind is ServiceKind.MOVED:
        other = _other(fittings, key, _text(args, "other", 200))
    about = args.get("about")
    if about is not None and (not isinstance(about, int) or isinstance(about, bool) or about < 1):
        raise UserError("`about` is no number of an entry", "`sexton upkeep part` lists them.")
    if kind is ServiceKind.VOID and about is None:
        raise UserError("nothing is said about what did not happen", "Name the entry.")
    return ServiceEntry(
        part=key[2],
        prop=key[0],
        motion=key[1],
        kind=kind,
        by=by,
        note=_text(args, "note", _LONGEST_NOTE),
        readings=_readings(args.get("readings")),
        wall_ns=_when(args.get("done_wall_ns"), now_wall_ns),
        task=task.name if task else "",
        other=other,
        about=about,
        recorded_wall_ns=now_wall_ns,
    )


def _place(
    fittings: Sequence[Fitting], args: Mapping[str, object], kind: ServiceKind
) -> tuple[Key, Task | None]:
    words = [_text(args, name, 200) for name in ("prop", "motion", "part")]
    if not words[2]:
        raise UserError("no part is named", "`sexton upkeep due --all` lists them.")
    task = _text(args, "task", _LONGEST_NAME)
    asked = "/".join(word for word in words if word) + (f":{task}" if task else "")
    if kind is ServiceKind.READING and asked == WEATHER[2]:
        return WEATHER, None
    fitting, chosen = find(fittings, asked)
    if chosen is None and len(fitting.tasks) == 1:
        chosen = fitting.tasks[0]
    untold = kind is ServiceKind.SERVICE and chosen is None and len(fitting.tasks) > 1
    if untold and args.get("all") is not True:
        # Oiling must not restart the count of what is due once in five years.
        listed = "".join(f"\n  {fitting.id}:{t.name}  {t.title}" for t in fitting.tasks)
        raise UserError(
            f"{fitting.id} has {len(fitting.tasks)} kinds of upkeep",
            f"Say which was done, or --all:{listed}",
        )
    # A new part starts every one of its intervals afresh.
    return fitting.key, chosen if kind is ServiceKind.SERVICE else None


def _other(fittings: Sequence[Fitting], key: Key, asked: str) -> Key:
    if not asked:
        raise UserError("no part is named that it changed places with", "Name both.")
    own = next(f for f in fittings if f.key == key)
    found = find(fittings, asked)[0]
    if found.key == key:
        raise UserError(f"{found.id} cannot change places with itself", "Name two parts.")
    if found.kind != own.kind:
        raise UserError(
            f"{own.id} is a {own.kind} and {found.id} a {found.kind}",
            "Only parts of one kind change places.",
        )
    return found.key


def _kind(value: object) -> ServiceKind:
    try:
        return ServiceKind(str(value))
    except ValueError:
        listed = ", ".join(kind.value for kind in ServiceKind)
        raise UserError(f"{value!r} is no kind of work", f"It may be {listed}.") from None


def _text(args: Mapping[str, object], name: str, longest: int) -> str:
    value = args.get(name)
    text = "" if value is None else str(value).strip()
    if len(text) > longest:
        raise UserError(f"`{name}` is over {longest} characters", "Say it shorter.")
    if not text.isprintable():
        raise UserError(f"`{name}` holds control characters", "Write plain text in one line.")
    return text


def _readings(value: object) -> dict[str, object]:
    if value is None:
        return {}
    if not isinstance(value, Mapping) or len(value) > _MOST_READINGS:
        raise UserError("the readings are no list of names and values", "Write NAME=VALUE.")
    return {str(name)[:_LONGEST_NAME]: _plain(reading) for name, reading in value.items()}


def _plain(value: object) -> object:
    return value if isinstance(value, int | float | bool) else str(value)[:_LONGEST_NOTE]


def _when(value: object, now_wall_ns: int) -> int:
    if value is None:
        return now_wall_ns
    if not isinstance(value, int) or isinstance(value, bool) or value <= 0:
        raise UserError("`done_wall_ns` is no time", "Give it in nanoseconds since 1970.")
    if value > now_wall_ns + _SLACK_NS:
        raise UserError("it cannot have been done in the future", "Look at the date.")
    return min(value, now_wall_ns)
