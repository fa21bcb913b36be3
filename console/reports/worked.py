"""The sections that are worked out: what they hold, from which records, by which formulas."""

from __future__ import annotations

from console.reports.kinds import THESE, Column, Kind, Section

_UPKEEP = """
    SELECT p.name AS prop, '' AS motion, 'all cycles till today' AS what, '' AS at,
           m.cycles AS amount
    FROM prop_meters m JOIN props p ON p.id = m.prop_id
    UNION ALL
    SELECT p.name, '', 'cycles of a night', n.date, sum(c.cycles)
    FROM night_cycles c JOIN props p ON p.id = c.prop_id JOIN nights n ON n.id = c.night_id
    GROUP BY c.prop_id, c.night_id
    UNION ALL
    SELECT p.name, m.motion, 'all strokes till today', '', m.strokes
    FROM motion_meters m JOIN props p ON p.id = m.prop_id
    UNION ALL
    SELECT p.name, m.motion, 'strokes of a night', n.date, sum(m.strokes - m.first_strokes)
    FROM stroke_meters m JOIN props p ON p.id = m.prop_id JOIN nights n ON n.id = m.night_id
    GROUP BY m.prop_id, m.motion, m.night_id
    UNION ALL
    SELECT r.subject, '', 'ms ' || r.kind || ' in a night', n.date, r.ms
    FROM run_times r JOIN nights n ON n.id = r.night_id
    UNION ALL
    SELECT p.name, s.motion, s.kind || ' of ' || s.part || ' at so many strokes',
           strftime('%Y-%m-%dT%H:%M:%SZ', s.wall_ns / 1e9, 'unixepoch'), s.strokes
    FROM service s JOIN props p ON p.id = s.prop_id
    """

DUE = Section(
    "due",
    "Service due before the next night",
    (
        Column("id", "What"),
        Column("title", "To do"),
        Column("standing", "Is"),
        Column("chance", "Chance", Kind.SHARE),
        Column("due_on", "Likely on", Kind.DAY),
        Column("used", "Used", Kind.NUMBER),
        Column("limit", "Of", Kind.NUMBER),
        Column("unit", ""),
        Column("last", "Last done", Kind.TIME),
    ),
    _UPKEEP,
    "Nothing.",
    how=(
        "Used is what was counted since the newest service or exchange before the end of the "
        "night (console.rules.upkeep); the chance that a limit is reached before the next night "
        "ends follows from the pace of the nights before (console.rules.forecast; A. Gelman et "
        "al., Bayesian Data Analysis, 3.2). The same is said by: "
        "sexton upkeep due {site} --ledger {ledger} --night {night}"
    ),
)

SPARES = Section(
    "spares",
    "Spares to bring",
    (
        Column("name", "Of"),
        Column("kind", "Kind"),
        Column("bring", "Bring", Kind.COUNT),
        Column("in_use", "In use", Kind.COUNT),
        Column("expected", "Expected", Kind.NUMBER),
        Column("chance_enough", "Enough by", Kind.SHARE),
        Column("rests_on", "Life rests on"),
    ),
    _UPKEEP,
    "None of those kinds of which something is known.",
    how=(
        "Lives are a Weibull fit of replacements, or the maker's B10; needs follow from the age "
        "of each part and the pace of its prop (console.rules.spares; D. R. Cox, Renewal Theory), "
        "and are taken as Poisson. The same is said by: "
        "sexton upkeep spares {site} --ledger {ledger} --night {night}"
    ),
)

AIR = Section(
    "air",
    "Air used",
    (
        Column("prop", "Prop"),
        Column("runs", "Runs", Kind.COUNT),
        Column("psi", "At", Kind.PSI),
        Column("runs_scf", "Took", Kind.SCF),
        Column("strokes", "Other strokes", Kind.COUNT),
        Column("strokes_scf", "Took", Kind.SCF),
        Column("scf", "In all", Kind.SCF),
        Column("share", "Share", Kind.SHARE),
        Column("unknown_runs", "Runs not told", Kind.COUNT),
    ),
    f"""
    SELECT c.night_id, n.date AS night, p.name AS prop, 'runs' AS what, s.name AS name,
           c.runs AS amount
    FROM (SELECT night_id, prop_id, sequence_id, count(*) AS runs FROM cycles
          WHERE night_id {THESE} GROUP BY night_id, prop_id, sequence_id) c
    JOIN nights n ON n.id = c.night_id JOIN props p ON p.id = c.prop_id
    JOIN sequences s ON s.id = c.sequence_id
    UNION ALL
    SELECT m.night_id, n.date, p.name, 'strokes', m.motion, sum(m.strokes - m.first_strokes)
    FROM stroke_meters m JOIN nights n ON n.id = m.night_id JOIN props p ON p.id = m.prop_id
    WHERE m.night_id {THESE} GROUP BY m.night_id, m.prop_id, m.motion
    UNION ALL
    SELECT e.night_id, n.date, e.subject, 'gauge', json_extract(e.detail, '$.reading'), max(e.seq)
    FROM events e JOIN nights n ON n.id = e.night_id
    WHERE e.kind = 'check' AND json_extract(e.detail, '$.item') = 'gauge' AND e.night_id {THESE}
    GROUP BY e.night_id, e.subject
    """,
    "No prop ran.",
    bars=("prop", "scf"),
    how=(
        "Runs of each sequence times the free air of one run: of each stroke the swept volume "
        "x (p + 14.7) / 14.7 (A. Esposito, Fluid Power with Applications, eq. 13-6), hose "
        "included, strokes cut short by the next step in part (console.rules.airuse). Other "
        "strokes are those that the board counted beyond its runs. p is the gauge reading of the "
        "opening check, or else the set pressure of the site file. A run cut short counts whole. "
        "One run of the default sequence (after.cycle_scf) and one stroke (after.stroke_scf): "
        "sexton whatif PROP.MOTION --site {site} --pressure PSI --json"
    ),
)

COMPRESSOR = Section(
    "compressor",
    "Air and compressor by night",
    (
        Column("night", "Night", Kind.DAY),
        Column("props_scf", "Props took", Kind.SCF),
        Column("leak_scf", "Leaks took", Kind.SCF),
        Column("scf", "In all", Kind.SCF),
        Column("needs_s", "Compressor needs", Kind.SECONDS),
        Column("ran_s", "It ran", Kind.SECONDS),
    ),
    f"""
    SELECT n.id AS night_id, n.date AS night, n.opened_ns, n.closed_ns,
           (SELECT r.ms FROM run_times r WHERE r.night_id = n.id AND r.kind = 'running'
                   AND r.subject = 'compressor') AS ran_ms
    FROM nights n WHERE n.id {THESE} ORDER BY n.opened_seq
    """,
    "No night was opened.",
    how=(
        "What props took is the sum of the section above for each night; leaks are the leak of "
        "the site file times the time open. The compressor needs as long as it takes to deliver "
        "both at its cut-in pressure (console.rules.airuse.delivered_scfm); how long it ran is "
        "known where a sensor on the tank tells. What it delivers while no engine runs "
        "(compressor_scfm): sexton air --site {site} --json"
    ),
)
