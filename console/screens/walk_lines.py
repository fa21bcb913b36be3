"""The walk as rows: how soon the next group may go, who is where, and tonight in numbers. Pure."""

from __future__ import annotations

from console.screens.palette import Role
from console.screens.plot import columns
from console.screens.rows import Row
from console.screens.store import Store
from console.screens.text import Line, Span, clock, count_of, fit, line, paragraph
from console.views.models import CrowdView, GroupView, HeadwayView

_QUARTERS = 24
"""How many quarters of an hour are plotted: an evening."""


def minutes(ms: float) -> str:
    """A duration as `4:05`."""
    seconds = max(0, round(ms / 1000))
    return f"{seconds // 60}:{seconds % 60:02}"


def headway_lines(headway: HeadwayView | None, width: int, now_ns: int) -> list[Line]:
    """The countdown with its reason, and what sets the pace of tonight."""
    if headway is None:
        return [line(Span("The engine follows no groups.", Role.MUTED))]
    left_ms = (headway.ready_wall_ns - now_ns) / 1e6
    if left_ms > 0:
        words = line(Span(f"Next group in {minutes(left_ms)}", Role.WARN))
        rows = [(*words, Span(f": {headway.reason}" if headway.reason else ""))]
    else:
        rows = [line(Span("Next group may go now", Role.STRONG))]
    if headway.last_number:
        rows[0] = (
            *rows[0],
            Span(f"  (last: {headway.last_number}, {headway.last_strength}, "
                 f"{clock(headway.last_wall_ns, seconds=False)})", Role.MUTED),
        )  # fmt: skip
    if headway.shortest_ms:
        text = (
            f"At best one in {minutes(headway.shortest_ms)}: {headway.groups_per_hour:.0f} groups, "
            f"{headway.guests_per_hour:.0f} guests an hour. {headway.limit}"
        )
        rows += paragraph(text, width, Role.MUTED)
    if headway.gain:
        rows += paragraph(f"Most to gain: {headway.gain}", width, Role.MUTED)
    return rows


def _spans(store: Store, width: int) -> list[tuple[str, int]]:
    """Each zone's title and columns: as wide as guests take long, none narrower than 6."""
    zones = store.zones
    crowd = store.crowd
    known = dict(crowd.walk_ms) if crowd else {}
    times = [max(1, known.get(z.name, 1)) for z in zones]
    room = width - len(zones)
    wide = [max(6, room * t // sum(times)) for t in times]
    if wide:
        wide[wide.index(max(wide))] += room - sum(wide)
    return [(z.title or z.name, w) for z, w in zip(zones, wide, strict=True)]


def strip_lines(store: Store, width: int) -> list[Line]:
    """The walk from the entrance to the exit with every group on it, by number."""
    spans = _spans(store, width)
    rows: list[Line] = []
    head: list[Span] = []
    for title, wide in spans:
        head += [Span(fit(title, wide), Role.MUTED), Span("│", Role.MUTED)]
    rows.append(tuple(head))
    total = sum(wide + 1 for _, wide in spans)
    lanes: list[list[str]] = [[" "] * total]
    for group in reversed(store.groups):
        mark = f"{group.number}{'?' if group.sure_percent < 60 else ''}"
        at = min(total - len(mark), max(0, round(group.place_percent / 100 * (total - 1))))
        around = slice(max(0, at - 1), at + len(mark) + 1)
        lane = next((free for free in lanes if not "".join(free[around]).strip()), None)
        if lane is None:
            lane = [" "] * total
            lanes.append(lane)
        lane[at : at + len(mark)] = mark
    return rows + [line(Span("".join(lane), Role.LIVELY)) for lane in lanes]


def group_row(group: GroupView, store: Store, width: int, now_ns: int) -> Line:
    """One group in words: who, where, how sure, and what they are spared."""
    titles = {z.name: z.title or z.name for z in store.zones}
    here = titles.get(group.zone, group.zone) or "at the entrance"
    near = [titles.get(n, n) for n in group.near if n != group.zone]
    sure = f"{group.sure_percent} % sure" + (f", or {' or '.join(near)}" if near else "")
    spared = [f"no {word}" for word in group.exclude]
    spared += [f"quiet in {titles.get(z, z)}" for z in group.quiet_zones]
    tail = "; ".join(word for word in (", ".join(spared), group.note) if word)
    role = Role.MUTED if group.sure_percent >= 60 else Role.WARN
    return line(
        Span(fit(f" {group.number}", 5), Role.STRONG),
        Span(fit(group.strength, 9)),
        Span(fit(f"{group.size} guests", 10), Role.MUTED),
        Span(fit(f"{minutes((now_ns - group.sent_wall_ns) / 1e6)}", 7), Role.MUTED),
        Span(f"{here}, "),
        Span(sure, role),
        Span(f"  {tail}" if tail else "", Role.NOTE),
    )


GROUP_HEADING: Line = line(Span(" no. strength guests    in    where", Role.MUTED))


def group_rows(store: Store, width: int, now_ns: int) -> list[Row]:
    """The groups in the walk, the one that went in first at the top."""
    rows = [Row(group_row(g, store, width, now_ns), str(g.number)) for g in store.groups]
    return rows or [Row(line(Span(" Nobody is in the walk.", Role.MUTED)))]


def crowd_lines(crowd: CrowdView | None, width: int, *, tall: bool) -> list[Line]:
    """Tonight in numbers, groups by quarter of an hour, and missed triggers."""
    if crowd is None:
        return []
    text = (
        f"Tonight {count_of(crowd.groups, 'group')}, {count_of(crowd.guests, 'guest')}: "
        f"{crowd.in_walk} in the walk, {crowd.through} through, "
        f"{minutes(crowd.average_through_ms)} on average, "
        f"longest wait {minutes(crowd.longest_wait_ms)}."
    )
    rows = paragraph(text, width, Role.TEXT)
    counts = [n for _, n in crowd.per_quarter][-_QUARTERS:]
    if counts:
        top = max(counts)
        first = clock(int(crowd.per_quarter[-len(counts)][0] * 1e9), seconds=False)
        for n, bars in enumerate(columns(counts, 0, top, 3 if tall else 1)):
            head = f"Groups a quarter hour from {first}, at most {top}: " if n == 0 else ""
            rows.append(line(Span(f"{head:<46}", Role.MUTED), Span(bars, Role.NOTE)))
    missed = [f"{prop} {reason} {n}" for prop, reason, n in crowd.missed[: 8 if tall else 3]]
    if missed:
        rows += paragraph(f"Missed triggers: {', '.join(missed)}", width, Role.MUTED)
    return rows
