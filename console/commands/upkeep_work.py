"""The writing half of `sexton upkeep`: through the engine while one runs, else into the ledger."""

from __future__ import annotations

import argparse
import datetime as dt
import json
import math
import re
import time
from collections.abc import Callable, Mapping, Sequence
from zoneinfo import ZoneInfo

from console.commands.upkeep_common import Meant, meant
from console.errors import UserError
from console.ledger.entries import ServiceKind
from console.ledger.ledger import Ledger
from console.ledger.opening import explaining
from console.ledger.rows import ServiceRow
from console.ledger.upkeep import UpkeepReader
from console.ledger.working import entry_of
from console.rules.upkeep import UNDO_S, may_undo
from console.site.fittings import Fitting, find, fittings, id_of
from console.site.loading import load
from console.site.models import Site
from console.upkeep import saying

_END_OF_DAY = dt.time(23, 59, 59)
_READING = re.compile(r"(?P<name>[A-Za-z][A-Za-z0-9_]{0,39})=(?P<value>.+)")

Args = dict[str, object]


def _done(arguments: argparse.Namespace) -> int:
    where = meant(arguments)
    site = load(where.site)
    kind = (
        ServiceKind.REPLACED if arguments.replaced
        else ServiceKind.RENEWED if arguments.renewed
        else ServiceKind.SERVICE
    )  # fmt: skip
    fitting, task = find(fittings(site), arguments.part)
    args: Args = {
        **_place(fitting),
        "kind": kind.value,
        "by": arguments.by,
        "note": arguments.note,
        "readings": _readings(arguments.reading or ()),
        "all": arguments.all,
    }
    if task is not None:
        args["task"] = task.name
    return _record(where, site, {**args, **_when(site, arguments.when)}, arguments.json)


def _read(arguments: argparse.Namespace) -> int:
    where = meant(arguments)
    site = load(where.site)
    place: Args = {"part": "weather"}
    if arguments.part != "weather":
        place = _place(find(fittings(site), arguments.part)[0])
    args: Args = {
        **place,
        "kind": ServiceKind.READING.value,
        "by": arguments.by,
        "note": arguments.note,
        "readings": _readings(arguments.reading),
        **_when(site, arguments.when),
    }
    return _record(where, site, args, arguments.json)


def _swap(arguments: argparse.Namespace) -> int:
    where = meant(arguments)
    site = load(where.site)
    found = fittings(site)
    args: Args = {
        **_place(find(found, arguments.part)[0]),
        "other": find(found, arguments.other)[0].id,
        "kind": ServiceKind.MOVED.value,
        "by": arguments.by,
        "note": arguments.note,
        **_when(site, arguments.when),
    }
    return _record(where, site, args, arguments.json)


def _undo(arguments: argparse.Namespace) -> int:
    where = meant(arguments)
    site = load(where.site)
    rows = _entries(where)
    row = rows.get(arguments.entry) if arguments.entry else _newest(rows)
    if row is None:
        raise UserError(
            f"there is no entry {arguments.entry}" if arguments.entry else "there is no entry yet",
            "`sexton upkeep part PART` shows the entries of a part.",
        )
    if not may_undo(row.recorded_ns, time.time_ns()):
        raise UserError(
            f"entry {row.seq} was written down over {UNDO_S:.0f} seconds ago",
            f"Correct it: `sexton upkeep correct {row.seq} --void --by NAME --note WHY`.",
        )
    args = _again(_before(rows, row)) if row.about is not None else _void(row)
    args |= {"about": row.about or row.seq, "by": arguments.by or row.by, "note": "undone"}
    return _record(where, site, args, arguments.json, undone=row.seq)


def _correct(arguments: argparse.Namespace) -> int:
    where = meant(arguments)
    site = load(where.site)
    rows = _entries(where)
    row = rows.get(arguments.entry)
    if row is None:
        raise UserError(
            f"there is no entry {arguments.entry}",
            "`sexton upkeep part PART` shows the entries of a part.",
        )
    root = rows.get(row.about, row) if row.about is not None else row
    now = max((r for r in rows.values() if root.seq in (r.seq, r.about)), key=lambda r: r.seq)
    changes = (arguments.part, arguments.kind, arguments.reading, arguments.when)
    if arguments.void:
        if any(changes):
            raise UserError("--void leaves nothing to change", "Leave the other options out.")
        args = _void(root)
    else:
        if not any(changes):
            raise UserError(
                "nothing is said about what was wrong",
                "Give --void, --part, --kind, --when or --reading.",
            )
        if root.kind == ServiceKind.MOVED and (arguments.part or arguments.kind):
            raise UserError(
                "an exchange can only be taken away or given another time",
                "Use --void, then `sexton upkeep swap` with the right parts.",
            )
        args = _again(root if now.kind == ServiceKind.VOID else now)
        if arguments.part:
            fitting, task = find(fittings(site), arguments.part)
            args = {**args, "task": task.name if task else "", **_place(fitting)}
        if arguments.kind:
            args["kind"] = arguments.kind
        if arguments.reading:
            args["readings"] = _readings(arguments.reading)
        args |= _when(site, arguments.when)
    args |= {"about": root.seq, "by": arguments.by, "note": arguments.note}
    return _record(where, site, args, arguments.json)


WORK: dict[str, Callable[[argparse.Namespace], int]] = {
    "done": _done,
    "read": _read,
    "swap": _swap,
    "undo": _undo,
    "correct": _correct,
}


# --- writing ---------------------------------------------------------------------------------


def _record(where: Meant, site: Site, args: Args, as_json: bool, undone: int | None = None) -> int:
    """Write one entry and say what was written; 1 where the engine refused."""
    entry = entry_of(fittings(site), args, time.time_ns())
    before = max(_entries(where), default=0)
    if where.engine is not None:
        _through_engine(where, args)
    else:
        with explaining(where.ledger), Ledger.open(where.ledger) as ledger:
            ledger.append([entry])
    written = next((r for seq, r in sorted(_entries(where).items()) if seq > before), None)
    if written is None:
        raise UserError(
            "the engine took it on, but it is not in the ledger yet",
            "`sexton upkeep part PART` shows when it is.",
        )
    if as_json:
        print(json.dumps(saying.row_object(written), indent=2))
        return 0
    place = id_of((written.prop, written.motion, written.part))
    if undone is not None:
        print(f"entry {undone} about {place} is undone; both stay on record")
        return 0
    what = saying.KIND_WORDS[ServiceKind(written.kind)]
    other = f" with {id_of(written.other)}" if written.other else ""
    about = f", correcting entry {written.about}" if written.about is not None else ""
    print(f"entry {written.seq}: {place} {what}{other}{about}")
    if written.about is None:
        print(f"`sexton upkeep undo` takes it back within {UNDO_S:.0f} seconds.")
    return 0


def _through_engine(where: Meant, args: Mapping[str, object]) -> None:
    from console.views.client import call

    assert where.engine is not None
    try:
        reply = call(where.engine.folder.socket, "service", args)
    except OSError as error:
        raise UserError(
            f"the engine that keeps {where.ledger} does not answer: {error}",
            "Nothing was written here. Look whether it is there, then try again.",
        ) from None
    if not reply.ok:
        refusals = [refusal for found in reply.refused.values() for refusal in found]
        first = refusals[0] if refusals else None
        raise UserError(
            f"the engine refused: {first.reason}" if first else "the engine refused",
            first.remedy if first else "",
        )


def _entries(where: Meant) -> dict[int, ServiceRow]:
    """Every entry of work by number; none where there is no ledger yet."""
    if not where.ledger.exists():
        return {}
    with explaining(where.ledger), UpkeepReader.open(where.ledger) as reader:
        return {row.seq: row for row in reader.service()}


def _newest(rows: Mapping[int, ServiceRow]) -> ServiceRow | None:
    """The newest entry; of an exchange its first half, by which it is known."""
    newest = max(rows.values(), key=lambda row: row.seq, default=None)
    if newest is not None and newest.kind == ServiceKind.MOVED:
        first = rows.get(newest.seq - 1)
        if first is not None and first.other == (newest.prop, newest.motion, newest.part):
            return first
    return newest


def _before(rows: Mapping[int, ServiceRow], row: ServiceRow) -> ServiceRow:
    """What held before a correction."""
    earlier = [r for r in rows.values() if row.about in (r.seq, r.about) and r.seq < row.seq]
    return max(earlier, key=lambda r: r.seq)


# --- arguments of the action -----------------------------------------------------------------


def _place(fitting: Fitting) -> Args:
    return {"prop": fitting.prop, "motion": fitting.motion, "part": fitting.name}


def _void(row: ServiceRow) -> Args:
    return {
        "prop": row.prop,
        "motion": row.motion,
        "part": row.part,
        "kind": ServiceKind.VOID.value,
        "done_wall_ns": row.wall_ns,
    }


def _again(row: ServiceRow) -> Args:
    """What an entry said, to be said once more."""
    return {
        "prop": row.prop,
        "motion": row.motion,
        "part": row.part,
        "kind": row.kind,
        "task": row.task,
        "readings": dict(row.readings),
        "done_wall_ns": row.wall_ns,
        "all": not row.task,
        **({"other": id_of(row.other)} if row.other else {}),
    }


def _readings(given: Sequence[str]) -> Args:
    found: Args = {}
    for word in given:
        match = _READING.fullmatch(word)
        if match is None:
            raise UserError(f"{word!r} is no reading", "Write NAME=VALUE, such as hours=412.5.")
        try:
            value: object = float(match["value"])
            if not math.isfinite(float(match["value"])):
                raise UserError(f"{word!r} is no reading", "Give a finite number or a word.")
        except ValueError:
            value = match["value"]
        found[match["name"]] = value
    return found


def _when(site: Site, text: str | None) -> Args:
    """When it was done, on the site's clock. A date alone means after that night: its end."""
    if text is None:
        return {}
    try:
        at = dt.datetime.fromisoformat(text)
    except ValueError:
        raise UserError(
            f"{text!r} is no date", "Write 2027-10-09, or '2027-10-09 23:30'."
        ) from None
    if re.fullmatch(r"\d{4}-?\d{2}-?\d{2}", text):
        at = dt.datetime.combine(at.date(), _END_OF_DAY)
    if at.tzinfo is None and site.timezone:
        at = at.replace(tzinfo=ZoneInfo(site.timezone))
    wall_ns = int(at.timestamp()) * 10**9
    today = dt.datetime.now(at.tzinfo).date()
    return {"done_wall_ns": min(wall_ns, time.time_ns()) if at.date() <= today else wall_ns}
