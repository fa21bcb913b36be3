"""The floor as rows: one a prop, under the zones in walking order. Pure."""

from __future__ import annotations

from collections.abc import Collection
from typing import NamedTuple

from console.screens.palette import Role
from console.screens.rows import Row
from console.screens.store import Store
from console.screens.text import Line, Span, age, clock, count_of, fit, line, paragraph
from console.views.models import Asked, PropFlag, PropState, PropView

GLYPHS: dict[PropState, tuple[str, Role]] = {
    PropState.OFFLINE: ("?", Role.WARN),
    PropState.DISARMED: ("○", Role.MUTED),
    PropState.ARMED: ("◆", Role.TEXT),
    PropState.RUNNING: ("»", Role.LIVELY),
    PropState.RESTING: ("~", Role.MUTED),
    PropState.STOPPED: ("■", Role.STOP),
    PropState.FAULT: ("▲", Role.BAD),
}
"""Each state's glyph and role; the word stands beside it always."""

SHORT_FLAGS: dict[PropFlag, str] = {
    PropFlag.SERVICE_DUE: "service",
    PropFlag.NOT_MATCHING: "differs",
    PropFlag.AREA: "area",
    PropFlag.BLOCKED: "blocked",
}
"""Words for narrow columns; flags that are not here are short as they are."""

_CALM_FLAGS = frozenset({PropFlag.HAND_ONLY, PropFlag.UNCHECKED})

_POOR_LINK = 0.9


class Columns(NamedTuple):
    """How wide each column is; 0 leaves it out, and `flags` takes what is left."""

    name: int
    state: int
    sequence: int
    tonight: int
    life: int
    last: int
    source: int
    link: int
    now: int = 0
    next: int = 0


def columns_for(width: int, *, groups: bool = False) -> Columns:
    """The columns for a list `width` columns wide. What is left out stands in the details.

    With `groups` a wide list says for which group each prop is set.
    """
    if width >= 110 and groups:
        return Columns(17, 12, 13, 4, 6, 9, 0, 4, 11, 11)
    if width >= 110:
        return Columns(19, 13, 17, 7, 6, 13, 8, 4)
    if width >= 76:
        return Columns(15, 12, 11, 4, 6, 9, 0, 4)
    return Columns(14, 12, 11, 0, 0, 4, 0, 0)


def _join(cells: list[Span], flags: Line) -> Line:
    spans: list[Span] = []
    for cell in cells:
        spans += [cell, Span(" ")]
    return (*spans, *flags)


def heading(width: int, *, groups: bool = False) -> Line:
    """The names of the columns."""
    c = columns_for(width, groups=groups)
    counts = [("tonight", c.tonight, True), ("life", c.life, True)]
    if c.tonight and c.tonight < len("tonight"):
        # Two narrow columns share one heading.
        counts = [("night, life", c.tonight + 1 + c.life, True)]
    cells = [
        (" prop", c.name + 1, False),
        ("state", c.state, False),
        ("sequence", c.sequence, False),
        ("now for", c.now, False),
        ("next", c.next, False),
        *counts,
        ("last trigger" if c.last > 11 else "last", c.last, False),
        ("by", c.source, False),
        ("link", c.link, True),
    ]
    return _join(
        [Span(fit(t, w, right=r), Role.MUTED) for t, w, r in cells if w],
        line(Span("flags", Role.MUTED)),
    )


def state_span(prop: PropView, width: int) -> Span:
    """The state's glyph and word; or, while something is asked, what that is."""
    glyph, role = GLYPHS[prop.state]
    if prop.asked is not Asked.NOTHING:
        return Span(fit(f"{glyph} {prop.asked.value}", width), Role.ASKED)
    return Span(fit(f"{glyph} {prop.state.value}", width), role)


def sequence_span(prop: PropView, width: int) -> Span:
    """The sequence of the cycles to come; one that is asked for stands behind an arrow."""
    if prop.asked_sequence and prop.asked_sequence != prop.sequence:
        if width >= 17:
            return Span(fit(f"{prop.sequence} → {prop.asked_sequence}…", width), Role.ASKED)
        return Span(fit(f"→{prop.asked_sequence}…", width), Role.ASKED)
    return Span(fit(prop.sequence, width), Role.MUTED)


def flag_role(flag: PropFlag) -> Role:
    """Which flags stand out."""
    return Role.NOTE if flag in _CALM_FLAGS else Role.WARN


def _flags(prop: PropView, room: int) -> Line:
    if not prop.flags:
        return ()
    words = [flag.value for flag in prop.flags]
    loud = [f for f in prop.flags if f not in _CALM_FLAGS]
    role = Role.WARN if loud else Role.NOTE
    whole = ", ".join(words)
    if len(whole) <= room:
        return line(Span(whole, role))
    first = (loud or list(prop.flags))[0]
    more = f"+{len(words) - 1}" if len(words) > 1 else ""
    word = SHORT_FLAGS.get(first, first.value)
    return line(Span(fit(word, min(len(word), max(1, room - len(more)))) + more, role))


def _group_span(number: int | None, strength: str, width: int, role: Role) -> Span:
    return Span(fit(f"{number} {strength}" if number is not None else "", width), role)


def _now_span(prop: PropView, width: int) -> Span:
    """The group that a prop is set for, or that an operator has switched it."""
    if prop.by_hand:
        return Span(fit("by hand", width), Role.NOTE)
    role = Role.NOTE if prop.group_note else Role.TEXT
    return _group_span(prop.now_group, prop.now_strength, width, role)


def prop_line(
    prop: PropView, width: int, now_ns: int, *, in_scope: bool, groups: bool = False
) -> Line:
    """One prop in one row."""
    c = columns_for(width, groups=groups)
    quality = f"{prop.link_quality * 100:.0f}%"
    if prop.state is PropState.OFFLINE:
        quality = "--"
    ago = age(prop.last_trigger_wall_ns, now_ns)
    at = clock(prop.last_trigger_wall_ns, seconds=c.last > 11)
    last = f"{ago:>4} {at}" if c.last > 11 else f"{ago:>3} {at}" if c.last > 5 else ago
    name_role = Role.TEXT if prop.state not in (PropState.FAULT, PropState.OFFLINE) else Role.STRONG
    link_role = Role.WARN if prop.link_quality < _POOR_LINK else Role.MUTED
    cells: list[tuple[Span, int]] = [
        (
            Span(("▌" if in_scope else " ") + fit(prop.title or prop.name, c.name), name_role),
            c.name,
        ),
        (state_span(prop, c.state), c.state),
        (sequence_span(prop, c.sequence), c.sequence),
        (_now_span(prop, c.now), c.now),
        (_group_span(prop.next_group, prop.next_strength, c.next, Role.MUTED), c.next),
        (Span(fit(str(prop.cycles_tonight), c.tonight, right=True)), c.tonight),
        (Span(fit(str(prop.cycles_life), c.life, right=True), Role.MUTED), c.life),
        (Span(fit(last, c.last), Role.MUTED), c.last),
        (Span(fit(prop.last_trigger, c.source), Role.MUTED), c.source),
        (Span(fit(quality, c.link, right=True), link_role), c.link),
    ]
    kept = [span for span, w in cells if w]
    used = sum(w + 1 for _, w in cells if w) + 1
    return _join(kept, _flags(prop, width - used))


def zone_line(title: str, props: list[PropView], width: int) -> Line:
    """A zone's heading: how many props, and in which states."""
    counts = [
        f"{sum(p.state is state for p in props)} {state.value}"
        for state in PropState
        if any(p.state is state for p in props)
    ]
    words = f"{title} · {', '.join(counts) or 'no props'}"
    return line(Span(fit(words, width), Role.STRONG))


def follows_groups(store: Store) -> bool:
    """Whether groups were sent tonight, so that the list says for whom each prop is set."""
    return store.headway is not None and store.headway.last_number > 0


def floor_rows(
    store: Store, width: int, now_ns: int, scope: Collection[str], *, room: int = 0
) -> list[Row]:
    """Every prop by zone. `scope` holds the names that the next key acts on.

    Where `room` rows are enough for it, zones stand apart.
    """
    props = store.props
    groups = follows_groups(store)
    airy = len(props) + 2 * len(store.zones) <= room
    rows: list[Row] = []
    for zone in store.zones:
        here = [p for p in props if p.zone == zone.name]
        if airy and rows:
            rows.append(Row(()))
        rows.append(Row(zone_line(zone.title or zone.name, here, width)))
        rows += [
            Row(prop_line(p, width, now_ns, in_scope=p.name in scope, groups=groups), p.name)
            for p in here
        ]
    known = {zone.name for zone in store.zones}
    rows += [
        Row(prop_line(p, width, now_ns, in_scope=p.name in scope, groups=groups), p.name)
        for p in props
        if p.zone not in known
    ]
    return rows


def detail_lines(prop: PropView, width: int, now_ns: int) -> list[Line]:
    """Everything about one prop that a narrow row leaves out, the weightiest first."""
    glyph, role = GLYPHS[prop.state]
    since = age(prop.state_since_wall_ns, now_ns)
    first: list[Span | str] = [
        Span(prop.title or prop.name, Role.STRONG),
        " ",
        Span(f"{glyph} {prop.state.value}", role),
    ]
    if since:
        first.append(Span(f" for {since}" if since != "now" else " just now", Role.MUTED))
    if prop.asked is not Asked.NOTHING:
        first.append(Span(f"  {prop.asked.value}", Role.ASKED))
    for flag in prop.flags:
        first += ["  ", Span(flag.value, flag_role(flag))]
    lines: list[Line] = [line(*first)]
    if prop.fault:
        lines.append(line(Span(f"Fault: {prop.fault}", Role.BAD)))
    if prop.tags:
        lines.append(line(Span(f"Tagged by {', '.join(prop.tags)}", Role.WARN)))
    live = prop.state in (PropState.ARMED, PropState.RUNNING, PropState.RESTING)
    refusals = prop.fire_refusals if live else prop.arm_refusals
    verb = "Cannot be fired" if live else "Cannot be armed"
    if refusals:
        more = f"  (+{len(refusals) - 1}: w)" if len(refusals) > 1 else ""
        text = f"{verb}: {refusals[0].reason} → {refusals[0].remedy}{more}"
        lines += paragraph(text, width, Role.NOTE, "  ")
    trigger = (
        f"last {clock(prop.last_trigger_wall_ns)} by {prop.last_trigger or 'unknown'}"
        if prop.last_trigger_wall_ns
        else "no trigger yet"
    )
    pending = (
        f", then {prop.asked_sequence} (asked)"
        if prop.asked_sequence and prop.asked_sequence != prop.sequence
        else ""
    )
    if prop.now_group is not None or prop.next_group is not None or prop.by_hand:
        lines += paragraph(_groups(prop), width, Role.NOTE, "  ")
    facts = (
        f"{prop.sequence}{pending} · {count_of(prop.cycles_tonight, 'cycle')} tonight, "
        f"{prop.cycles_life} for life · {prop.missed_tonight} missed · {trigger} · "
        f"stands {prop.where or 'nowhere said'} · controller {prop.controller}"
    )
    return lines + paragraph(facts, width, Role.MUTED, "  ")


def _groups(prop: PropView) -> str:
    """For which groups the prop is set, and who chose."""
    words = []
    if prop.now_group is not None:
        words.append(f"now for group {prop.now_group} ({prop.now_strength})")
    if prop.next_group is not None:
        words.append(f"next {prop.next_group} ({prop.next_strength})")
    if prop.by_hand:
        words.append("switched by hand, groups do not (S lets them)")
    if prop.group_note:
        words.append(prop.group_note)
    return ", ".join(words)
