PRAGMA application_id = 0x506F7456;
PRAGMA user_version = 1;
BEGIN TRANSACTION;
CREATE TABLE batch (
        id INTEGER PRIMARY KEY,
        pot INTEGER NOT NULL REFERENCES pot,
        run INTEGER REFERENCES run,
        start_t_s REAL NOT NULL,
        start_utc_s REAL,
        end_t_s REAL,
        end_utc_s REAL,
        label TEXT NOT NULL DEFAULT '',
        note TEXT NOT NULL DEFAULT '',
        verdict TEXT,
        summary TEXT
    ) STRICT;
INSERT INTO "batch" VALUES(1,1,1,12.25,NULL,NULL,NULL,'lenses, blue','',NULL,NULL);
CREATE TABLE command (
        id INTEGER PRIMARY KEY,
        pot INTEGER NOT NULL REFERENCES pot,
        action TEXT NOT NULL,
        alarm TEXT,
        text TEXT NOT NULL,
        duration_s REAL,
        by TEXT NOT NULL,
        written_utc_s REAL,
        t_s REAL
    ) STRICT;
CREATE TABLE edit (
        id INTEGER PRIMARY KEY,
        batch INTEGER NOT NULL REFERENCES batch,
        field TEXT NOT NULL,
        text TEXT NOT NULL,
        by TEXT NOT NULL,
        utc_s REAL
    ) STRICT;
INSERT INTO "edit" VALUES(1,1,'label','lenses, blue','anna',NULL);
CREATE TABLE event (
        id INTEGER PRIMARY KEY,
        pot INTEGER NOT NULL REFERENCES pot,
        batch INTEGER REFERENCES batch,
        t_s REAL NOT NULL,
        utc_s REAL,
        kind TEXT NOT NULL,
        alarm TEXT,
        line TEXT NOT NULL
    ) STRICT;
INSERT INTO "event" VALUES(1,1,1,12.25,NULL,'stage',NULL,'{"t_s":12.25,"utc_s":null,"stage":"filling"}');
CREATE TABLE pot (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL UNIQUE
    ) STRICT;
INSERT INTO "pot" VALUES(1,'lantern');
CREATE TABLE run (
        id INTEGER PRIMARY KEY,
        boot_id TEXT NOT NULL,
        start_t_s REAL NOT NULL,
        axis_offset_s REAL NOT NULL,
        start_utc_s REAL,
        gap_known INTEGER NOT NULL,
        settings TEXT NOT NULL,
        rehearsed TEXT,
        version TEXT NOT NULL
    ) STRICT;
INSERT INTO "run" VALUES(1,'3f1c',12.0,0.0,NULL,1,'{"workshop":"harbour-models"}',NULL,'0.1.0');
CREATE TABLE sample (
        pot INTEGER NOT NULL REFERENCES pot,
        t_s REAL NOT NULL,
        utc_s REAL,
        transducer_count REAL,
        supply_count REAL,
        gauge_pa REAL,
        absolute_pa REAL,
        gas_c REAL,
        wall_c REAL,
        room_c REAL,
        ambient_pa REAL,
        faults TEXT,
        PRIMARY KEY (pot, t_s)
    ) STRICT, WITHOUT ROWID;
INSERT INTO "sample" VALUES(1,12.25,NULL,2613.5,NULL,NULL,NULL,NULL,20.5,NULL,NULL,NULL);
INSERT INTO "sample" VALUES(1,13.25,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,'[["transducer","converter at 0x48 does not answer"]]');
CREATE INDEX event_of_batch ON event (batch);
CREATE INDEX event_of_alarm ON event (pot, alarm) WHERE alarm IS NOT NULL;
CREATE INDEX command_waiting ON command (id) WHERE t_s IS NULL;
COMMIT;
