-- A record as format 4 left it, written and thinned by the program of that time.
PRAGMA application_id = 0x506F7456;
PRAGMA user_version = 4;
BEGIN TRANSACTION;
CREATE TABLE batch (
        id INTEGER PRIMARY KEY,
        pot INTEGER NOT NULL REFERENCES pot,
        run INTEGER REFERENCES run,
        start_t_s REAL NOT NULL,
        start_utc_s REAL,
        end_t_s REAL,
        end_utc_s REAL,
        verdict TEXT,
        summary TEXT
    , leak_t_s REAL, leak_pa_per_s REAL, leak_low_pa_per_s REAL, leak_high_pa_per_s REAL, leak_established INTEGER, alarms INTEGER) STRICT;
INSERT INTO "batch" VALUES(1,1,1,400.0,1767305200.0,600.0,1767305400.0,'leaked','{"pot_id":"lantern","verdict":"leaked","reason":"air was lost from 23:00 on; the floor was kept","complete":true,"start_s":100.0,"start_utc_s":1767304800.0,"end_s":36500.0,"stages":{"filling":110.0,"settling":200.0,"holding":512.0,"venting":36110.0},"hold_start_s":512.0,"hold_end_s":36110.0,"hold_start_gauge_pa":413685.4376,"hold_end_gauge_pa":372485.4,"lowest_gauge_pa":372400.0,"change":{"total_pa":-41200.04,"cooling_pa":-12000.0,"barometer_pa":400.0,"leak_pa":-29600.04,"top_up_pa":0.0},"leak":{"t_s":36110.0,"rate_pa_per_s":{"value":0.94444444,"low":0.9166666,"high":0.9722222},"pa_m3_per_s":{"value":0.0160555,"low":0.0155833,"high":0.0165277},"std_cm3_per_min":{"value":9.50733,"low":9.2277,"high":9.78696},"orifice_m":1.23456e-05,"onset_s":{"value":3700.0,"low":3400.04,"high":4000.0},"established":true},"floor_crossed_s":null,"floor_forecast_s":null,"cure":{"progress":1.0,"done_s":35100.0,"early_s":null,"late_s":null},"top_ups":0,"alarms":[{"alarm":"leak","raised_s":4900.0,"returned_s":null}],"details":{"label":"lenses, blue"}}',36110.0,0.94444444,0.9166666,0.9722222,1,1);
CREATE TABLE care (
        id INTEGER PRIMARY KEY,
        pot INTEGER NOT NULL REFERENCES pot,
        utc_s REAL NOT NULL,
        part TEXT NOT NULL,
        text TEXT NOT NULL,
        by TEXT NOT NULL,
        written_utc_s REAL,
        due_utc_s REAL,
        leak_pa_per_s REAL,
        leak_low_pa_per_s REAL,
        leak_high_pa_per_s REAL
    , readings TEXT) STRICT;
INSERT INTO "care" VALUES(1,1,1767304800.0,'tightness-test','pass','anna',1767304800.0,NULL,0.001,0.0009,0.0011,'[[0.0,413685.0,20.5,20.25,20.0,101000.0],[20.0,413680.0,null,20.25,null,null]]');
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
    , field TEXT) STRICT;
CREATE TABLE edit (
        id INTEGER PRIMARY KEY,
        batch INTEGER NOT NULL REFERENCES batch,
        field TEXT NOT NULL,
        new TEXT NOT NULL,
        by TEXT NOT NULL,
        utc_s REAL
    , old TEXT NOT NULL DEFAULT '', t_s REAL) STRICT;
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
INSERT INTO "event" VALUES(1,1,1,400.0,1767305200.0,'stage',NULL,'{"t_s":400.0,"utc_s":1767305200.0,"stage":"filling"}');
INSERT INTO "event" VALUES(2,1,1,480.0,1767305280.0,'alarm','leak','{"t_s":480.0,"utc_s":1767305280.0,"alarm":"leak","state":"unacknowledged","priority":"low","text":"Air is being lost since 23:10.","leak_rate_pa_per_s":null,"floor_forecast_s":null,"repeat":false}');
INSERT INTO "event" VALUES(3,1,1,490.0,1767305290.0,'alarm','leak','{"t_s":490.0,"utc_s":1767305290.0,"alarm":"leak","state":"acknowledged","priority":"low","text":"Air is being lost since 23:10.","leak_rate_pa_per_s":null,"floor_forecast_s":null,"repeat":false}');
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
INSERT INTO "run" VALUES(1,'boot-a',0.0,0.0,1767304800.0,1,'{"workshop":"harbour-models"}',NULL,'0.1.0');
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
        faults TEXT, spread TEXT,
        PRIMARY KEY (pot, t_s)
    ) STRICT, WITHOUT ROWID;
INSERT INTO "sample" VALUES(1,205.0,1767305005.0,15000.5,26004.25,NULL,NULL,NULL,20.15625,20.5,101010.5,NULL,'{"n":6,"transducer_count":[15000.5,15000.5],"supply_count":[26004.2,26004.2],"wall_c":[20.0,20.3125],"room_c":[20.5,20.5],"ambient_pa":[101010.0,101010.0]}');
INSERT INTO "sample" VALUES(1,500.0,1767305300.0,15000.5,NULL,NULL,NULL,22.5,21.0625,NULL,101000.0,'[["thermometer","28-0316a2794aff: none on the bus","room"]]',NULL);
CREATE TABLE trace (
        pot INTEGER NOT NULL REFERENCES pot,
        t_s REAL NOT NULL,
        stage TEXT NOT NULL,
        gauge_pa REAL,
        corrected_gauge_pa REAL,
        gas_k REAL,
        wall_k REAL,
        room_k REAL,
        leak_pa_per_s REAL,
        leak_low_pa_per_s REAL,
        leak_high_pa_per_s REAL,
        leak_established INTEGER NOT NULL,
        floor_s REAL,
        floor_earliest_s REAL,
        floor_latest_s REAL,
        cure_progress REAL,
        cure_done_s REAL,
        PRIMARY KEY (pot, t_s)
    ) STRICT, WITHOUT ROWID;
INSERT INTO "trace" VALUES(1,460.0,'holding',413000.5,412900.0,295.65,294.15,293.65,0.001,0.0009,0.0011,1,40000.0,39000.0,NULL,0.25,36000.0);
CREATE INDEX event_of_batch ON event (batch);
CREATE INDEX command_waiting ON command (id) WHERE t_s IS NULL;
CREATE INDEX edit_of_batch ON edit (batch, field);
CREATE INDEX batch_of_pot ON batch (pot, id, verdict, run, start_utc_s, end_t_s, leak_t_s, leak_pa_per_s,
        leak_low_pa_per_s, leak_high_pa_per_s, leak_established);
CREATE INDEX batch_begun ON batch (pot, start_utc_s);
CREATE INDEX event_of_alarm ON event (pot, alarm, id) WHERE alarm IS NOT NULL;
CREATE INDEX batch_of_alarm ON event (alarm, batch) WHERE alarm IS NOT NULL;
COMMIT;
