-- A small ledger as schema 2 left it. Never changed after; later programs must read it.
PRAGMA application_id = 1398295623;
PRAGMA user_version = 2;
BEGIN TRANSACTION;
CREATE TABLE boot_maps (
        board TEXT NOT NULL,
        boot INTEGER NOT NULL,
        seq INTEGER NOT NULL,
        board_ms INTEGER NOT NULL,
        wall_ns INTEGER NOT NULL,
        bound_ms REAL NOT NULL,
        PRIMARY KEY (board, boot)
    ) STRICT
    ;
INSERT INTO "boot_maps" VALUES('ICE2',176,1,5,1793397600000000000,2.5);
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
    ;
INSERT INTO "counters" VALUES(1,'ICE2',161,1,40,45,40,3,2);
INSERT INTO "counters" VALUES(2,'ICE2',161,2,6,7,6,1,0);
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
    ;
INSERT INTO "cycles" VALUES(4,1,41,1,1,1,'sensor','done',1793397641000000000,4.0,176,41000,4000,'[["lid","out",340],["lid","back",410]]');
INSERT INTO "cycles" VALUES(5,1,42,1,1,1,'sensor','done',1793397642000000000,4.0,176,42000,4000,'[["lid","out",340],["lid","back",410]]');
INSERT INTO "cycles" VALUES(6,2,7,1,2,1,'operator','stopped',1793397607000000000,4.0,176,7000,4000,'[["lid","out",340],["lid","back",410]]');
INSERT INTO "cycles" VALUES(14,1,45,2,1,1,'sensor','done',1793484100000000000,4.0,176,45000,4000,'[["lid","out",340],["lid","back",410]]');
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
    ;
INSERT INTO "events" VALUES(8,1,'all-stop','site','{"source":"key","confirmed_ms":12.5}',1793397644000000000,'Ines','',NULL,NULL);
CREATE TABLE gaps (
        seq INTEGER PRIMARY KEY,
        counter_id INTEGER NOT NULL REFERENCES counters,
        first INTEGER NOT NULL,
        last INTEGER NOT NULL CHECK (last >= first),
        reason TEXT NOT NULL,
        noticed_ns INTEGER NOT NULL,
        UNIQUE (counter_id, first)
    ) STRICT
    ;
INSERT INTO "gaps" VALUES(15,1,43,44,'overwritten',1793484100000000000);
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
    ;
INSERT INTO "missed" VALUES(7,1,1,'ICE2','sensor','resting',1793397643000000000,176,3);
CREATE TABLE motion_meters (
        prop_id INTEGER NOT NULL REFERENCES props,
        motion TEXT NOT NULL,
        strokes INTEGER NOT NULL,
        last_ns INTEGER NOT NULL,
        PRIMARY KEY (prop_id, motion)
    ) STRICT, WITHOUT ROWID
    ;
INSERT INTO "motion_meters" VALUES(1,'lid',92,1793397646000000000);
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
    ;
INSERT INTO "night_cycles" VALUES(1,1,'sensor','done',2,8000,5,1793397642000000000);
INSERT INTO "night_cycles" VALUES(1,2,'operator','stopped',1,4000,6,1793397607000000000);
INSERT INTO "night_cycles" VALUES(2,1,'sensor','done',1,4000,14,1793484100000000000);
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
    ;
INSERT INTO "night_missed" VALUES(1,1,'sensor','resting',1,7,1793397643000000000);
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
    ;
INSERT INTO "nights" VALUES(1,'2026-10-30',3,1793397600000000000,'Ines',11,1793412000000000000,'Ines',0);
INSERT INTO "nights" VALUES(2,'2026-10-31',12,1793484000000000000,'Tomas',NULL,NULL,NULL,0);
CREATE TABLE prop_meters (
        prop_id INTEGER PRIMARY KEY REFERENCES props,
        cycles INTEGER NOT NULL,
        duration_ms INTEGER NOT NULL,
        missed INTEGER NOT NULL,
        last_seq INTEGER NOT NULL,
        last_ns INTEGER NOT NULL
    ) STRICT
    ;
INSERT INTO "prop_meters" VALUES(1,3,12000,1,14,1793484100000000000);
INSERT INTO "prop_meters" VALUES(2,1,4000,0,6,1793397607000000000);
CREATE TABLE props (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
INSERT INTO "props" VALUES(1,'brine-lid');
INSERT INTO "props" VALUES(2,'loft-hatch');
CREATE TABLE run_times (
        night_id INTEGER NOT NULL,
        kind TEXT NOT NULL,
        subject TEXT NOT NULL,
        ms INTEGER NOT NULL CHECK (ms >= 0),
        last_seq INTEGER NOT NULL,
        last_ns INTEGER NOT NULL,
        PRIMARY KEY (night_id, kind, subject)
    ) STRICT, WITHOUT ROWID
    ;
INSERT INTO "run_times" VALUES(2,'armed','brine-lid',300000,16,1793484300000000000);
INSERT INTO "run_times" VALUES(2,'running','compressor',60000,17,1793484300000000000);
CREATE TABLE sequences (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
INSERT INTO "sequences" VALUES(1,'burst');
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
    , task TEXT NOT NULL DEFAULT '', other TEXT, about INTEGER, recorded_ns INTEGER NOT NULL DEFAULT 0) STRICT
    ;
INSERT INTO "service" VALUES(9,1,'lid-valve',1,'lid','service','Ines','oiled','{"psi":58}',1793397645000000000,2,90,'',NULL,NULL,0);
INSERT INTO "service" VALUES(19,2,'lid-valve',1,'lid','replaced','Ines','wrong part named','{}',1793484300000000000,3,92,'',NULL,NULL,1793484300000000000);
INSERT INTO "service" VALUES(20,2,'lid-valve',1,'lid','void','Ines','it was the hatch','{}',1793484300000000000,3,92,'',NULL,19,1793484310000000000);
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
    ;
INSERT INTO "stroke_meters" VALUES('ICE2',161,1,0,1,'lid',90,90,2,1793397600000000000);
INSERT INTO "stroke_meters" VALUES('ICE2',161,1,1,1,'lid',90,92,10,1793397646000000000);
CREATE TABLE surroundings (
        seq INTEGER PRIMARY KEY,
        night_id INTEGER NOT NULL,
        wall_ns INTEGER NOT NULL,
        psi REAL,
        temp_degf REAL
    ) STRICT
    ;
INSERT INTO "surroundings" VALUES(18,2,1793484300000000000,96.5,48.0);
CREATE UNIQUE INDEX one_open_night ON nights (closed_seq IS NULL) WHERE closed_seq IS NULL;
CREATE INDEX cycles_of_night ON cycles (night_id);
CREATE INDEX cycles_of_prop ON cycles (prop_id);
CREATE INDEX missed_of_night ON missed (night_id);
CREATE INDEX missed_of_prop ON missed (prop_id);
CREATE INDEX events_of_night ON events (night_id);
CREATE INDEX events_of_kind ON events (kind);
CREATE INDEX service_of_part ON service (prop_id, part);
CREATE VIEW cycle_list AS
    SELECT c.seq, n.date AS night, p.name AS prop, s.name AS sequence, c.trigger, c.outcome,
           strftime('%Y-%m-%dT%H:%M:%fZ', c.started_ns / 1e9, 'unixepoch') AS started_utc,
           c.bound_ms, c.duration_ms, k.board, k.life, k.prop_index, c.number, c.boot, c.board_ms,
           c.travels
    FROM cycles c
    JOIN counters k ON k.id = c.counter_id
    JOIN props p ON p.id = c.prop_id
    JOIN sequences s ON s.id = c.sequence_id
    LEFT JOIN nights n ON n.id = c.night_id;
CREATE INDEX stroke_meters_of_motion ON stroke_meters (prop_id, motion);
CREATE INDEX surroundings_at ON surroundings (wall_ns);
COMMIT;
