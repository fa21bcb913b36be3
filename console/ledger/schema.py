"""The tables of a ledger, as the steps that lead to them. Steps are only ever added at the end.

Everything that arrives takes its `seq` from one row of numbers over all tables, so a union of
tables ordered by `seq` is the night as it came in. `night_id` 0 stands for between nights. Wall
clocks (`…_ns`) are nanoseconds since 1970 in UTC.
"""

from __future__ import annotations

APPLICATION_ID = 0x53584C47
"""Marks a SQLite file as a ledger ("SXLG"), so that no other database is written by mistake."""

_FIRST = (
    """
    CREATE TABLE nights (
        id INTEGER PRIMARY KEY,
        date TEXT NOT NULL,
        opened_seq INTEGER NOT NULL,
        opened_ns INTEGER NOT NULL,
        opened_by TEXT NOT NULL,
        closed_seq INTEGER,
        closed_ns INTEGER,
        closed_by TEXT,
        left_open INTEGER NOT NULL DEFAULT 0
    ) STRICT
    """,
    "CREATE UNIQUE INDEX one_open_night ON nights (closed_seq IS NULL) WHERE closed_seq IS NULL",
    "CREATE TABLE props (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT",
    "CREATE TABLE sequences (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT",
    # The CHECK keeps the promise of entries.Counter whatever the code above it does.
    """
    CREATE TABLE counters (
        id INTEGER PRIMARY KEY,
        board TEXT NOT NULL,
        life INTEGER NOT NULL,
        prop_index INTEGER NOT NULL,
        contact INTEGER NOT NULL,
        highest INTEGER NOT NULL,
        baseline INTEGER NOT NULL CHECK (baseline >= 0),
        stored INTEGER NOT NULL CHECK (stored >= 0),
        missing INTEGER NOT NULL CHECK (missing >= 0),
        UNIQUE (board, life, prop_index),
        CHECK (baseline + stored + missing = highest)
    ) STRICT
    """,
    # `travels` is a JSON list of [motion, direction, ms]: rows of their own would be six times as
    # many as the cycles, and nobody reads them one by one.
    """
    CREATE TABLE cycles (
        seq INTEGER PRIMARY KEY,
        counter_id INTEGER NOT NULL REFERENCES counters,
        number INTEGER NOT NULL CHECK (number >= 1),
        night_id INTEGER NOT NULL,
        prop_id INTEGER NOT NULL REFERENCES props,
        sequence_id INTEGER NOT NULL REFERENCES sequences,
        trigger TEXT NOT NULL,
        outcome TEXT NOT NULL,
        started_ns INTEGER NOT NULL,
        bound_ms REAL NOT NULL,
        boot INTEGER NOT NULL,
        board_ms INTEGER NOT NULL,
        duration_ms INTEGER NOT NULL,
        travels TEXT NOT NULL,
        UNIQUE (counter_id, number)
    ) STRICT
    """,
    "CREATE INDEX cycles_of_night ON cycles (night_id)",
    "CREATE INDEX cycles_of_prop ON cycles (prop_id)",
    """
    CREATE TABLE gaps (
        seq INTEGER PRIMARY KEY,
        counter_id INTEGER NOT NULL REFERENCES counters,
        first INTEGER NOT NULL,
        last INTEGER NOT NULL CHECK (last >= first),
        reason TEXT NOT NULL,
        noticed_ns INTEGER NOT NULL,
        UNIQUE (counter_id, first)
    ) STRICT
    """,
    """
    CREATE TABLE missed (
        seq INTEGER PRIMARY KEY,
        night_id INTEGER NOT NULL,
        prop_id INTEGER NOT NULL REFERENCES props,
        board TEXT NOT NULL,
        source TEXT NOT NULL,
        reason TEXT NOT NULL,
        wall_ns INTEGER NOT NULL,
        boot INTEGER,
        event_number INTEGER,
        UNIQUE (board, boot, event_number)
    ) STRICT
    """,
    "CREATE INDEX missed_of_night ON missed (night_id)",
    "CREATE INDEX missed_of_prop ON missed (prop_id)",
    """
    CREATE TABLE events (
        seq INTEGER PRIMARY KEY,
        night_id INTEGER NOT NULL,
        kind TEXT NOT NULL,
        subject TEXT NOT NULL,
        detail TEXT NOT NULL,
        wall_ns INTEGER NOT NULL,
        who TEXT NOT NULL,
        board TEXT NOT NULL,
        boot INTEGER,
        event_number INTEGER,
        UNIQUE (board, boot, event_number)
    ) STRICT
    """,
    "CREATE INDEX events_of_night ON events (night_id)",
    "CREATE INDEX events_of_kind ON events (kind)",
    """
    CREATE TABLE service (
        seq INTEGER PRIMARY KEY,
        night_id INTEGER NOT NULL,
        part TEXT NOT NULL,
        prop_id INTEGER NOT NULL REFERENCES props,
        motion TEXT NOT NULL,
        kind TEXT NOT NULL,
        who TEXT NOT NULL,
        note TEXT NOT NULL,
        readings TEXT NOT NULL,
        wall_ns INTEGER NOT NULL,
        prop_cycles INTEGER NOT NULL,
        strokes INTEGER
    ) STRICT
    """,
    "CREATE INDEX service_of_part ON service (prop_id, part)",
    """
    CREATE TABLE boot_maps (
        board TEXT NOT NULL,
        boot INTEGER NOT NULL,
        seq INTEGER NOT NULL,
        board_ms INTEGER NOT NULL,
        wall_ns INTEGER NOT NULL,
        bound_ms REAL NOT NULL,
        PRIMARY KEY (board, boot)
    ) STRICT
    """,
    # One row a night keeps the history that wear needs, without one row for each report.
    """
    CREATE TABLE stroke_meters (
        board TEXT NOT NULL,
        life INTEGER NOT NULL,
        output INTEGER NOT NULL,
        night_id INTEGER NOT NULL,
        prop_id INTEGER REFERENCES props,
        motion TEXT NOT NULL,
        first_strokes INTEGER NOT NULL,
        strokes INTEGER NOT NULL,
        seq INTEGER NOT NULL,
        wall_ns INTEGER NOT NULL,
        PRIMARY KEY (board, life, output, night_id)
    ) STRICT
    """,
    """
    CREATE TABLE night_cycles (
        night_id INTEGER NOT NULL,
        prop_id INTEGER NOT NULL REFERENCES props,
        trigger TEXT NOT NULL,
        outcome TEXT NOT NULL,
        cycles INTEGER NOT NULL,
        duration_ms INTEGER NOT NULL,
        last_seq INTEGER NOT NULL,
        last_ns INTEGER NOT NULL,
        PRIMARY KEY (night_id, prop_id, trigger, outcome)
    ) STRICT, WITHOUT ROWID
    """,
    """
    CREATE TABLE night_missed (
        night_id INTEGER NOT NULL,
        prop_id INTEGER NOT NULL REFERENCES props,
        source TEXT NOT NULL,
        reason TEXT NOT NULL,
        missed INTEGER NOT NULL,
        last_seq INTEGER NOT NULL,
        last_ns INTEGER NOT NULL,
        PRIMARY KEY (night_id, prop_id, source, reason)
    ) STRICT, WITHOUT ROWID
    """,
    """
    CREATE TABLE prop_meters (
        prop_id INTEGER PRIMARY KEY REFERENCES props,
        cycles INTEGER NOT NULL,
        duration_ms INTEGER NOT NULL,
        missed INTEGER NOT NULL,
        last_seq INTEGER NOT NULL,
        last_ns INTEGER NOT NULL
    ) STRICT
    """,
    # Strokes follow the motion: its board may be changed, or serve another motion later.
    """
    CREATE TABLE motion_meters (
        prop_id INTEGER NOT NULL REFERENCES props,
        motion TEXT NOT NULL,
        strokes INTEGER NOT NULL,
        last_ns INTEGER NOT NULL,
        PRIMARY KEY (prop_id, motion)
    ) STRICT, WITHOUT ROWID
    """,
    # For people with a SQL shell: names instead of ids.
    """
    CREATE VIEW cycle_list AS
    SELECT c.seq, n.date AS night, p.name AS prop, s.name AS sequence, c.trigger, c.outcome,
           strftime('%Y-%m-%dT%H:%M:%fZ', c.started_ns / 1e9, 'unixepoch') AS started_utc,
           c.bound_ms, c.duration_ms, k.board, k.life, k.prop_index, c.number, c.boot, c.board_ms,
           c.travels
    FROM cycles c
    JOIN counters k ON k.id = c.counter_id
    JOIN props p ON p.id = c.prop_id
    JOIN sequences s ON s.id = c.sequence_id
    LEFT JOIN nights n ON n.id = c.night_id
    """,
)

_UPKEEP = (
    "ALTER TABLE service ADD COLUMN task TEXT NOT NULL DEFAULT ''",
    # A JSON list of prop, motion and part.
    "ALTER TABLE service ADD COLUMN other TEXT",
    "ALTER TABLE service ADD COLUMN about INTEGER",
    "ALTER TABLE service ADD COLUMN recorded_ns INTEGER NOT NULL DEFAULT 0",
    "CREATE INDEX stroke_meters_of_motion ON stroke_meters (prop_id, motion)",
    # Sums of a night: an entry comes every few minutes, and only the sums are ever asked for.
    """
    CREATE TABLE run_times (
        night_id INTEGER NOT NULL,
        kind TEXT NOT NULL,
        subject TEXT NOT NULL,
        ms INTEGER NOT NULL CHECK (ms >= 0),
        last_seq INTEGER NOT NULL,
        last_ns INTEGER NOT NULL,
        PRIMARY KEY (night_id, kind, subject)
    ) STRICT, WITHOUT ROWID
    """,
    """
    CREATE TABLE surroundings (
        seq INTEGER PRIMARY KEY,
        night_id INTEGER NOT NULL,
        wall_ns INTEGER NOT NULL,
        psi REAL,
        temp_degf REAL
    ) STRICT
    """,
    "CREATE INDEX surroundings_at ON surroundings (wall_ns)",
)

STEPS: tuple[tuple[str, ...], ...] = (_FIRST, _UPKEEP)
"""Statements that lead from each schema version to the next; version 0 is an empty file."""

SEQ_COLUMNS = (
    ("cycles", "seq"),
    ("gaps", "seq"),
    ("missed", "seq"),
    ("events", "seq"),
    ("service", "seq"),
    ("run_times", "last_seq"),
    ("surroundings", "seq"),
    ("boot_maps", "seq"),
    ("stroke_meters", "seq"),
    ("nights", "opened_seq"),
    ("nights", "closed_seq"),
)
"""Everywhere an arrival number is kept."""
