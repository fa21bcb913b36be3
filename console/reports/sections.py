"""The sections of a report, in their order, and the queries of those that are one query.

`:nights` is a JSON list of night ids. Times are nanoseconds since 1970 in UTC; a length of time is
the difference of two of them, so a night across a change of the clocks has the hours it really had.
"""

from __future__ import annotations

from console.reports.kinds import THESE, Column, Kind, Section
from console.reports.worked import AIR, COMPRESSOR, DUE, SPARES

_T, _C, _W, _S, _MS, _R = (
    Kind.TEXT, Kind.COUNT, Kind.TIME, Kind.SECONDS, Kind.MS, Kind.RATE,
)  # fmt: skip

_TAGS = "'tag', 'untag', 'tag-handed-over', 'tag-lifted-absent'"
"""Whatever can happen to a tag; one from before the night keeps its prop out from the start."""

SECTIONS: tuple[Section, ...] = (
    Section(
        "nights",
        "Nights",
        (
            Column("night", "Night", Kind.DAY),
            Column("opened", "Opened", _W),
            Column("opened_by", "by"),
            Column("closed", "Closed", _W),
            Column("closed_by", "by"),
            Column("open_s", "Open for", _S),
            Column("cycles", "Cycles", _C),
            Column("missed", "Missed", _C),
        ),
        f"""
        SELECT n.date AS night, n.opened_ns AS opened, n.opened_by, n.closed_ns AS closed,
               n.closed_by, (n.closed_ns - n.opened_ns) / 1e9 AS open_s,
               (SELECT coalesce(sum(cycles), 0) FROM night_cycles c WHERE c.night_id = n.id)
                   AS cycles,
               (SELECT coalesce(sum(missed), 0) FROM night_missed m WHERE m.night_id = n.id)
                   AS missed
        FROM nights n WHERE n.id {THESE} ORDER BY n.opened_seq
        """,
        "No night was opened.",
    ),
    Section(
        "groups",
        "Groups and guests",
        (
            Column("night", "Night", Kind.DAY),
            Column("groups", "Groups", _C),
            Column("guests", "Guests", _C),
            Column("groups_per_hour", "Rate", _R),
            Column("guests_per_hour", "Rate of guests", _R),
        ),
        f"""
        SELECT night, groups, guests, groups / hours AS groups_per_hour,
               guests / hours AS guests_per_hour
        FROM (
            SELECT n.date AS night, count(*) AS groups,
                   sum(coalesce(json_extract(e.detail, '$.size'), 0)) AS guests,
                   nullif((coalesce(n.closed_ns, max(e.wall_ns)) - n.opened_ns) / 3.6e12, 0)
                       AS hours,
                   n.opened_seq AS at
            FROM events e JOIN nights n ON n.id = e.night_id
            WHERE e.kind = 'group-sent' AND e.night_id {THESE}
            GROUP BY n.id
        ) ORDER BY at
        """,
        "No group was sent from a console.",
    ),
    Section(
        "cycles",
        "Cycles by prop and trigger",
        (
            Column("prop", "Prop"),
            Column("cycles", "Cycles", _C),
            Column("sensor", "Sensor", _C),
            Column("actor", "Actor", _C),
            Column("operator", "Operator", _C),
            Column("test", "Test", _C),
            Column("cut", "Cut short", _C),
            Column("mean_s", "Mean length", _S),
        ),
        f"""
        SELECT p.name AS prop, sum(cycles) AS cycles,
               sum(iif(trigger = 'sensor', cycles, 0)) AS sensor,
               sum(iif(trigger = 'actor', cycles, 0)) AS actor,
               sum(iif(trigger = 'operator', cycles, 0)) AS operator,
               sum(iif(trigger = 'test', cycles, 0)) AS test,
               sum(iif(outcome <> 'done', cycles, 0)) AS cut,
               sum(duration_ms) / 1000.0 / sum(cycles) AS mean_s
        FROM night_cycles c JOIN props p ON p.id = c.prop_id
        WHERE c.night_id {THESE}
        GROUP BY p.id ORDER BY cycles DESC, prop
        """,
        "No prop ran.",
        bars=("prop", "cycles"),
    ),
    Section(
        "hours",
        "Hour by hour",
        (
            Column("hour", "Hour from", _W),
            Column("groups", "Groups", _C),
            Column("guests", "Guests", _C),
            Column("cycles", "Cycles", _C),
        ),
        f"""
        SELECT hour, sum(groups) AS groups, sum(guests) AS guests, sum(cycles) AS cycles
        FROM (
            SELECT c.started_ns / 3600000000000 * 3600000000000 AS hour, 0 AS groups, 0 AS guests,
                   count(*) AS cycles
            FROM cycles c WHERE c.night_id {THESE} GROUP BY 1
            UNION ALL
            SELECT e.wall_ns / 3600000000000 * 3600000000000, count(*),
                   sum(coalesce(json_extract(e.detail, '$.size'), 0)), 0
            FROM events e WHERE e.kind = 'group-sent' AND e.night_id {THESE} GROUP BY 1
        )
        GROUP BY hour ORDER BY hour
        """,
        "No prop ran, and no group was sent.",
        bars=("hour", "cycles"),
    ),
    Section(
        "missed",
        "Missed triggers by prop and reason",
        (
            Column("prop", "Prop"),
            Column("reason", "Reason"),
            Column("source", "Trigger"),
            Column("missed", "Missed", _C),
            Column("last", "Last", _W),
        ),
        f"""
        SELECT p.name AS prop, m.reason, m.source, sum(m.missed) AS missed, max(m.last_ns) AS last
        FROM night_missed m JOIN props p ON p.id = m.prop_id
        WHERE m.night_id {THESE}
        GROUP BY p.id, m.reason, m.source ORDER BY missed DESC, prop, reason, source
        """,
        "No trigger was missed.",
    ),
    Section(
        "by_hand",
        "Fired and overridden by hand",
        (
            Column("kind", "What"),
            Column("subject", "Prop"),
            Column("who", "By"),
            Column("times", "Times", _C),
            Column("last", "Last", _W),
        ),
        f"""
        SELECT e.kind, e.subject, e.who, count(*) AS times, max(e.wall_ns) AS last
        FROM events e
        WHERE e.kind IN ('fire', 'test', 'override') AND e.night_id {THESE}
        GROUP BY e.kind, e.subject, e.who ORDER BY e.kind, times DESC, e.subject
        """,
        "Nothing was fired or overridden by hand.",
    ),
    Section(
        "stops",
        "All-stops",
        (
            Column("stopped", "Stopped", _W),
            Column("source", "Source"),
            Column("who", "By"),
            Column("confirmed_s", "All confirmed after", _S),
            Column("cleared_s", "Cleared after", _S),
            Column("cleared_by", "by"),
            Column("why", "Why cleared"),
        ),
        f"""
        SELECT s.wall_ns AS stopped, json_extract(s.detail, '$.source') AS source, s.who,
               (min(f.wall_ns) - s.wall_ns) / 1e9 AS confirmed_s,
               (min(c.wall_ns) - s.wall_ns) / 1e9 AS cleared_s,
               c.who AS cleared_by, json_extract(c.detail, '$.why') AS why
        FROM events s
        LEFT JOIN events f ON f.kind = 'all-stop-confirmed'
             AND json_extract(f.detail, '$.stop') = json_extract(s.detail, '$.stop')
        LEFT JOIN events c ON c.kind = 'clear'
             AND json_extract(c.detail, '$.stop') = json_extract(s.detail, '$.stop')
        WHERE s.kind = 'all-stop' AND s.night_id {THESE}
        GROUP BY s.seq ORDER BY s.seq
        """,
        "No all-stop.",
    ),
    Section(
        "away",
        "Time out of service",
        (
            Column("subject", "What"),
            Column("why", "Why"),
            Column("losses", "Times", _C),
            Column("away_s", "Out for", _S),
            Column("longest_s", "Longest", _S),
            Column("not_back", "Not back", _C),
        ),
        f"""
        SELECT subject, why, sum(begins) AS losses, sum((until - wall_ns) / 1e9) AS away_s,
               max((until - wall_ns) / 1e9) AS longest_s, sum(back IS NULL) AS not_back
        FROM (
            SELECT x.*, coalesce(back, n.closed_ns) AS until
            FROM (
                SELECT e.subject, e.kind, e.wall_ns, e.night_id, why,
                       kind IN ('controller-lost', 'fault', 'tag') AS begins,
                       lead(e.wall_ns) OVER (PARTITION BY e.subject, e.night_id, why
                                             ORDER BY e.seq) AS back
                FROM (SELECT seq, subject, kind, wall_ns, night_id,
                             CASE WHEN kind LIKE 'controller-%' THEN 'controller lost'
                                  WHEN kind LIKE '%tag%' THEN 'tagged' ELSE 'fault' END AS why
                      FROM events
                      WHERE kind IN ('controller-lost', 'controller-live', 'fault', 'mend', {_TAGS})
                            AND night_id {THESE}
                      UNION ALL
                      SELECT seq, subject, 'tag', opened_ns, id, 'tagged'
                      FROM (SELECT max(t.seq) AS seq, t.subject, t.kind, n.opened_ns, n.id
                            FROM nights n JOIN events t ON t.seq < n.opened_seq
                                                        AND t.kind IN ({_TAGS})
                            WHERE n.id {THESE} GROUP BY n.id, t.subject)
                      WHERE kind IN ('tag', 'tag-handed-over')) e
            ) x JOIN nights n ON n.id = x.night_id
        ) WHERE kind IN ('controller-lost', 'fault', 'tag', 'tag-handed-over')
        GROUP BY subject, why ORDER BY away_s DESC, subject, why
        """,
        "Nothing was out of service.",
    ),
    Section(
        "faults",
        "Faults and what boards reported",
        (
            Column("kind", "What"),
            Column("subject", "Where"),
            Column("detail", "Detail"),
            Column("times", "Times", _C),
            Column("last", "Last", _W),
        ),
        f"""
        SELECT e.kind, e.subject, json_extract(e.detail, '$.detail') AS detail,
               count(*) AS times, max(e.wall_ns) AS last
        FROM events e
        WHERE e.kind IN ('fault', 'late', 'supply', 'memory', 'silent', 'controller-reset')
              AND e.night_id {THESE}
        GROUP BY e.kind, e.subject, 3 ORDER BY times DESC, e.kind, e.subject
        """,
        "Nothing to report.",
    ),
    Section(
        "alarm_rate",
        "Alarm rate",
        (
            Column("night", "Night", Kind.DAY),
            Column("alarms", "Alarms", _C),
            Column("alarms_per_hour", "Rate", _R),
            Column("in_ten_minutes", "At most in 10 min", _C),
        ),
        f"""
        SELECT night, count(*) AS alarms, count(*) / hours AS alarms_per_hour,
               max(near) AS in_ten_minutes
        FROM (
            SELECT n.date AS night, n.opened_seq AS at, e.night_id,
                   nullif((coalesce(n.closed_ns, max(e.wall_ns) OVER (PARTITION BY e.night_id))
                           - n.opened_ns) / 3.6e12, 0) AS hours,
                   count(*) OVER (
                       PARTITION BY e.night_id
                       ORDER BY e.wall_ns RANGE BETWEEN 600000000000 PRECEDING AND CURRENT ROW
                   ) AS near
            FROM events e JOIN nights n ON n.id = e.night_id
            WHERE e.kind = 'alarm' AND e.night_id {THESE}
        )
        GROUP BY night_id ORDER BY at
        """,
        "No alarm.",
    ),
    Section(
        "alarms",
        "Alarms",
        (
            Column("alarm", "Alarm"),
            Column("priority", "Priority"),
            Column("times", "Times", _C),
            Column("in_ten_minutes", "At most in 10 min", _C),
            Column("last", "Last", _W),
        ),
        f"""
        SELECT alarm, priority, count(*) AS times, max(near) AS in_ten_minutes,
               max(wall_ns) AS last
        FROM (
            SELECT substr(e.subject, 1, instr(e.subject || '/', '/') - 1) AS alarm,
                   json_extract(e.detail, '$.priority') AS priority, e.wall_ns,
                   count(*) OVER (
                       PARTITION BY substr(e.subject, 1, instr(e.subject || '/', '/') - 1)
                       ORDER BY e.wall_ns RANGE BETWEEN 600000000000 PRECEDING AND CURRENT ROW
                   ) AS near
            FROM events e WHERE e.kind = 'alarm' AND e.night_id {THESE}
        )
        GROUP BY alarm, priority ORDER BY times DESC, alarm
        """,
        "No alarm.",
    ),
    Section(
        "refused",
        "Refused requests",
        (
            Column("action", "Asked"),
            Column("subject", "Prop"),
            Column("checks", "Because of"),
            Column("times", "Times", _C),
            Column("last", "Last", _W),
        ),
        f"""
        SELECT json_extract(e.detail, '$.action') AS action, e.subject,
               (SELECT group_concat(value, ', ') FROM json_each(e.detail, '$.checks')) AS checks,
               count(*) AS times, max(e.wall_ns) AS last
        FROM events e WHERE e.kind = 'refused' AND e.night_id {THESE}
        GROUP BY action, e.subject, checks ORDER BY times DESC, action, e.subject
        """,
        "Nothing was refused.",
    ),
    Section(
        "tags",
        "Tags",
        (
            Column("at", "When", _W),
            Column("kind", "What"),
            Column("prop", "Prop"),
            Column("owner", "Tag of"),
            Column("also", "Others"),
            Column("text", "Reason"),
        ),
        f"""
        SELECT e.wall_ns AS at, e.kind, e.subject AS prop, e.who AS owner,
               coalesce(json_extract(e.detail, '$.to'),
                        json_extract(e.detail, '$.first') || ', '
                        || json_extract(e.detail, '$.second')) AS also,
               coalesce(json_extract(e.detail, '$.reason'), json_extract(e.detail, '$.note'),
                        json_extract(e.detail, '$.why')) AS text
        FROM events e
        WHERE (e.kind IN ('tag', 'untag') OR e.kind LIKE 'tag-%' OR e.kind LIKE 'test-break%')
              AND e.night_id {THESE}
        ORDER BY e.seq
        """,
        "Nobody tagged a prop.",
    ),
    Section(
        "motions",
        "Slowest motions",
        (
            Column("prop", "Prop"),
            Column("motion", "Motion"),
            Column("direction", "Way"),
            Column("strokes", "Measured", _C),
            Column("mean_ms", "Mean", _MS),
            Column("slowest_ms", "Slowest", _MS),
        ),
        f"""
        SELECT p.name AS prop, json_extract(t.value, '$[0]') AS motion,
               json_extract(t.value, '$[1]') AS direction, count(*) AS strokes,
               avg(json_extract(t.value, '$[2]')) AS mean_ms,
               max(json_extract(t.value, '$[2]')) AS slowest_ms
        FROM cycles c JOIN props p ON p.id = c.prop_id, json_each(c.travels) t
        WHERE c.night_id {THESE}
        GROUP BY p.id, motion, direction ORDER BY mean_ms DESC
        """,
        "No motion has an end sensor.",
    ),
    AIR,
    COMPRESSOR,
    Section(
        "gaps",
        "Cycles known to be missing",
        (
            Column("board", "Board"),
            Column("prop_index", "Prop on it", _C),
            Column("first", "From", _C),
            Column("last", "To", _C),
            Column("reason", "Why"),
            Column("noticed", "Noticed", _W),
        ),
        f"""
        SELECT k.board, k.prop_index, g.first, g.last, g.reason, g.noticed_ns AS noticed
        FROM gaps g JOIN counters k ON k.id = g.counter_id
        WHERE EXISTS (
            SELECT 1 FROM nights n WHERE n.id {THESE} AND g.seq > n.opened_seq
                   AND (n.closed_seq IS NULL OR g.seq < n.closed_seq))
        ORDER BY g.seq
        """,
        "None: every cycle is in the ledger.",
    ),
    Section(
        "service",
        "Service done",
        (
            Column("done", "When", _W),
            Column("part", "Part"),
            Column("prop", "Prop"),
            Column("kind", "What"),
            Column("who", "By"),
            Column("note", "Note"),
        ),
        f"""
        SELECT s.wall_ns AS done, s.part, p.name AS prop, s.kind, s.who, s.note
        FROM service s JOIN props p ON p.id = s.prop_id
        WHERE s.night_id {THESE} ORDER BY s.seq
        """,
        "None was recorded.",
    ),
    DUE,
    SPARES,
    Section(
        "opening",
        "Opening check",
        (
            Column("at", "When", _W),
            Column("subject", "Of"),
            Column("item", "Item"),
            Column("kind", "What"),
            Column("who", "By"),
            Column("reading", "Reading"),
        ),
        f"""
        SELECT e.wall_ns AS at, e.subject,
               coalesce(json_extract(e.detail, '$.title'),
                        (SELECT group_concat(value, ', ') FROM json_each(e.detail, '$.items')))
                   AS item,
               iif(e.kind = 'check', iif(e.who = '', 'by itself', 'by hand'),
                   iif(json_extract(e.detail, '$.anew'), 'begun anew', 'taken back')) AS kind,
               e.who, nullif(json_extract(e.detail, '$.reading'), '') AS reading
        FROM events e
        WHERE e.kind IN ('check', 'check-undone') AND e.night_id {THESE} ORDER BY e.seq
        """,
        "Nothing was checked.",
    ),
    Section(
        "notes",
        "Incidents and notes",
        (
            Column("noted", "When", _W),
            Column("kind", "What"),
            Column("subject", "Where"),
            Column("who", "By"),
            Column("text", "Note"),
        ),
        f"""
        SELECT e.wall_ns AS noted, e.kind, e.subject, e.who,
               json_extract(e.detail, '$.text') AS text
        FROM events e
        WHERE e.kind IN ('incident', 'note', 'handover') AND e.night_id {THESE} ORDER BY e.seq
        """,
        "None.",
    ),
)

BY_ID = {section.id: section for section in SECTIONS}
