"""What is due as a calendar file (RFC 5545), one all-day entry for each day and piece of upkeep."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterable

from icalendar import Calendar, Event

from console.rules.upkeep import Standing
from console.upkeep.outlook import Due, Outlook
from console.upkeep.saying import chance_words, mark_words


def calendar_of(outlook: Outlook, found: Iterable[Due]) -> bytes:
    """The calendar file. What is due already stands on the next night, or today without one.

    The same piece of upkeep keeps its UID until it is done, so a file that is read in again moves
    its entry rather than adding one.
    """
    site = outlook.site
    calendar = Calendar()
    calendar.add("prodid", "-//Sexton//upkeep//EN")
    calendar.add("version", "2.0")
    calendar.add("x-wr-calname", f"Upkeep, {site.name}")
    now = dt.datetime.fromtimestamp(outlook.history.now_wall_ns // 10**9, dt.UTC)
    for due in found:
        day = _day(outlook, due)
        if day is None:
            continue
        event = Event()
        event.add("uid", _uid(site.name, due))
        event.add("dtstamp", now)
        event.add("dtstart", day)
        event.add("dtend", day + dt.timedelta(days=1))
        event.add("summary", f"{due.fitting.id}: {due.task.title}")
        event.add("description", _details(due))
        event.add("categories", [due.fitting.kind])
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _day(outlook: Outlook, due: Due) -> dt.date | None:
    if due.standing is Standing.DUE:
        return outlook.ahead[0].date if outlook.ahead else outlook.today
    return due.forecast.on


def _uid(site: str, due: Due) -> str:
    """Not a random one: see `calendar_of`."""
    since = due.last.seq if due.last else 0
    text = f"{site}\n{due.fitting.id}\n{due.task.name}\n{since}"
    return f"{hashlib.sha256(text.encode()).hexdigest()[:32]}@sexton.invalid"


def _details(due: Due) -> str:
    lines = [mark_words(mark) for mark in due.marks]
    if due.standing is Standing.DUE:
        lines.insert(0, "It is due now.")
    elif due.forecast.chance_next is not None:
        chance = chance_words(due.forecast).removeprefix("~")
        lines.append(f"Before the end of the next night: {chance}.")
    if due.forecast.early and due.forecast.late and due.forecast.early != due.forecast.late:
        lines.append(f"Likely between {due.forecast.early} and {due.forecast.late}.")
    if due.forecast.few:
        lines.append("Few nights to judge by.")
    return "\n".join(lines)
