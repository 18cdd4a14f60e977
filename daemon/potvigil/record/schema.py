"""The tables of the record, as numbered migrations; only SQL texts live here.

Migration n brings a file from version n-1 to n. `PRAGMA user_version` holds the version; it changes in the
same transaction as the tables. A migration that was ever released is never edited: append another.

Times: `t_s` is the record's axis (seconds, never backwards), `utc_s` Unix time or NULL while the wall clock
was not trusted. NULL is unknown everywhere, never 0. Foreign keys say what belongs to what; they are not
enforced, because a refused row would be a lost row.
"""

# "PotV": bytes 68-71 of the file say whose it is (SQLite file format, section 1.3).
APPLICATION_ID = 0x506F7456

# An hour of a pot's samples or traces, by the axis; the axis may begin below zero, where CAST rounds up.
_HOUR = "CAST(OLD.t_s / 3600.0 AS INTEGER) - (OLD.t_s < CAST(OLD.t_s / 3600.0 AS INTEGER) * 3600.0)"
_PART_OF = dict.fromkeys(("sample", "trace"), ("OLD.pot", _HOUR))
_PART_OF |= dict.fromkeys(
    ("pot", "run", "batch", "edit", "event", "command", "care", "delivery", "fault"), ("0", "OLD.id")
)
_PART_OF["taught"] = ("0", "OLD.batch")


def _noting(table: str, of: str, what: str) -> str:
    pot, part = _PART_OF[table]
    values = f"'{table}', {pot}, {part}".replace("OLD.", f"{of}.")
    # deleted first: REPLACE would give way to the conflict clause of the statement that set the trigger off
    return (
        f"CREATE TRIGGER {table}_{what.lower()}_noted AFTER {what} ON {table} BEGIN "
        f"DELETE FROM change WHERE (tbl, pot, part) = ({values}); "
        f"INSERT INTO change (tbl, pot, part) VALUES ({values}); END;\n"
    )


MIGRATIONS = (
    """
    CREATE TABLE pot (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL UNIQUE
    ) STRICT;

    -- One start of the watch: t_s = boot time + axis_offset_s. gap_known is 0 where nobody can say how long
    -- the machine was off before it; then the axis goes on right after the last stored instant.
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

    -- As read: converter counts (a mean, so not whole), degrees C, Pa; in the order of Sample's fields.
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

    -- Who changed a batch's label or note, and to what; the batch holds what stands now.
    CREATE TABLE edit (
        id INTEGER PRIMARY KEY,
        batch INTEGER NOT NULL REFERENCES batch,
        field TEXT NOT NULL,
        text TEXT NOT NULL,
        by TEXT NOT NULL,
        utc_s REAL
    ) STRICT;

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
    CREATE INDEX event_of_batch ON event (batch);
    CREATE INDEX event_of_alarm ON event (pot, alarm) WHERE alarm IS NOT NULL;

    -- What somebody asked; t_s is NULL until the watch has taken it up.
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
    CREATE INDEX command_waiting ON command (id) WHERE t_s IS NULL;
    """,
    # Label and note become two of several details; what stands now is the last edit of each.
    """
    INSERT INTO edit (batch, field, text, by)
        SELECT id, 'label', label, '' FROM batch WHERE label <> coalesce((SELECT e.text FROM edit AS e
            WHERE e.batch = batch.id AND e.field = 'label' ORDER BY e.id DESC LIMIT 1), '');
    INSERT INTO edit (batch, field, text, by)
        SELECT id, 'note', note, '' FROM batch WHERE note <> coalesce((SELECT e.text FROM edit AS e
            WHERE e.batch = batch.id AND e.field = 'note' ORDER BY e.id DESC LIMIT 1), '');
    ALTER TABLE batch DROP COLUMN label;
    ALTER TABLE batch DROP COLUMN note;

    -- Who changed a detail of a batch, from what and to what; t_s is NULL where the watch had no part in it.
    ALTER TABLE edit RENAME COLUMN text TO new;
    ALTER TABLE edit ADD COLUMN old TEXT NOT NULL DEFAULT '';
    ALTER TABLE edit ADD COLUMN t_s REAL;
    UPDATE edit SET old = coalesce((SELECT before.new FROM edit AS before
        WHERE before.batch = edit.batch AND before.field = edit.field AND before.id < edit.id
        ORDER BY before.id DESC LIMIT 1), '');
    CREATE INDEX edit_of_batch ON edit (batch, field);

    -- Which detail an edit is of. A batch opened by hand with a label is now opened and then labelled.
    ALTER TABLE command ADD COLUMN field TEXT;
    UPDATE command SET action = 'edit', field = action WHERE action IN ('label', 'note');
    INSERT INTO command (pot, action, field, text, by, written_utc_s, t_s)
        SELECT pot, 'edit', 'label', text, by, written_utc_s, t_s FROM command
        WHERE action = 'open' AND text <> '' ORDER BY id;
    UPDATE command SET text = '' WHERE action = 'open';
    """,
    # What the watch knew, once a minute; what care a pot got; what a thinned sample stands for.
    """
    -- Of a batch, in the watch's words of that time: pressures Pa gauge, temperatures K, rates Pa/s; the leak
    -- is NULL where there was no fresh estimate.
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

    -- due_utc_s: when it is to be done again, if somebody said. The leak, Pa/s: what a tightness test found.
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
    ) STRICT;

    -- JSON, of a sample that is the mean of several: {"n": how many, "<column>": [lowest, highest], ...}
    ALTER TABLE sample ADD COLUMN spread TEXT;

    -- Of the summary, what a list of thousands looks for; NULL where the summary has none.
    ALTER TABLE batch ADD COLUMN leak_t_s REAL;
    ALTER TABLE batch ADD COLUMN leak_pa_per_s REAL;
    ALTER TABLE batch ADD COLUMN leak_low_pa_per_s REAL;
    ALTER TABLE batch ADD COLUMN leak_high_pa_per_s REAL;
    ALTER TABLE batch ADD COLUMN leak_established INTEGER;
    ALTER TABLE batch ADD COLUMN alarms INTEGER;
    UPDATE batch SET
        leak_t_s = json_extract(summary, '$.leak.t_s'),
        leak_pa_per_s = json_extract(summary, '$.leak.rate_pa_per_s.value'),
        leak_low_pa_per_s = json_extract(summary, '$.leak.rate_pa_per_s.low'),
        leak_high_pa_per_s = json_extract(summary, '$.leak.rate_pa_per_s.high'),
        leak_established = json_extract(summary, '$.leak.established'),
        alarms = json_array_length(summary, '$.alarms')
        WHERE summary IS NOT NULL;
    -- all that the health of a pot asks for, so that no summary is read on the way
    CREATE INDEX batch_of_pot ON batch (pot, id, verdict, run, start_utc_s, end_t_s, leak_t_s, leak_pa_per_s,
        leak_low_pa_per_s, leak_high_pa_per_s, leak_established);
    CREATE INDEX batch_begun ON batch (pot, start_utc_s);
    DROP INDEX event_of_alarm;
    CREATE INDEX event_of_alarm ON event (pot, alarm, id) WHERE alarm IS NOT NULL;
    CREATE INDEX batch_of_alarm ON event (alarm, batch) WHERE alarm IS NOT NULL;
    """,
    # JSON: what a tightness test read, a row each: seconds from the first, Pa gauge, degrees C of gas, wall
    # and room, Pa outside; null is unknown. Beside the samples, which are what a watch read of a batch.
    "ALTER TABLE care ADD COLUMN readings TEXT;",
    # A probe in or on the mould. In care.readings its degrees C come last, where they are known.
    # And what is known of a pot after a batch that taught: from how many batches, and by the names of
    # leak/pot_model.py, LEARNT, as JSON {"<name>": [mean, 1 sigma], ...}.
    """
    ALTER TABLE sample ADD COLUMN contents_c REAL;
    ALTER TABLE trace ADD COLUMN contents_k REAL;

    CREATE TABLE taught (
        batch INTEGER PRIMARY KEY REFERENCES batch,
        batches INTEGER NOT NULL,
        found TEXT NOT NULL
    ) STRICT;
    """,
    # What became of a command, and what there is to say of it: NULL until that is known. Of which run of the
    # watch it was asked, and when, by the machine's own clock since its start, which never jumps. One that
    # was refused before any watch took it has no t_s.
    """
    ALTER TABLE command ADD COLUMN run INTEGER REFERENCES run;
    ALTER TABLE command ADD COLUMN asked_boot_s REAL;
    ALTER TABLE command ADD COLUMN outcome TEXT;
    ALTER TABLE command ADD COLUMN answer TEXT;
    DROP INDEX command_waiting;
    CREATE INDEX command_waiting ON command (id) WHERE t_s IS NULL AND outcome IS NULL;
    """,
    # Whom the notifier told of an alarm, by his name in the settings and never by his address. pot is NULL
    # where the watch itself was silent, fault where it was sent.
    """
    CREATE TABLE delivery (
        id INTEGER PRIMARY KEY,
        pot INTEGER REFERENCES pot,
        t_s REAL NOT NULL,
        utc_s REAL,
        alarm TEXT NOT NULL,
        target TEXT NOT NULL,
        kind TEXT NOT NULL,
        fault TEXT
    ) STRICT;
    CREATE INDEX delivery_at ON delivery (t_s);
    """,
    # The faults of samples, as JSON, each text once: sample.faults is the number of its own here. That column
    # stays a text: another type would write every sample anew, hundreds of megabytes on a card.
    """
    CREATE TABLE fault (
        id INTEGER PRIMARY KEY,
        faults TEXT NOT NULL UNIQUE
    ) STRICT;
    INSERT INTO fault (faults) SELECT DISTINCT faults FROM sample WHERE faults NOTNULL ORDER BY faults;
    UPDATE sample SET faults = (SELECT id FROM fault WHERE fault.faults = sample.faults)
        WHERE faults NOTNULL;
    """,
    # Whose rows these are, wherever they are copied to: a UUID (RFC 9562, version 4), new with every record
    # that is begun; copied_from: of the record that this one was a copy of. And which rows are no longer what
    # they were, each part once, under a version that only rises: an hour of a pot's samples or traces (part =
    # t_s / 3600), or a row of another table (part = its id, pot = 0). New rows are not noted: whoever copies
    # the record knows how far it has come.
    """
    CREATE TABLE identity (
        id INTEGER PRIMARY KEY CHECK (id = 1),
        record TEXT NOT NULL,
        copied_from TEXT
    ) STRICT;
    INSERT INTO identity (id, record) SELECT 1, substr(h, 1, 8) || '-' || substr(h, 9, 4) || '-4' ||
        substr(h, 13, 3) || '-' || substr('89ab', 1 + (random() & 3), 1) || substr(h, 16, 3) || '-' ||
        substr(h, 19, 12) FROM (SELECT lower(hex(randomblob(16))) AS h);

    CREATE TABLE change (
        version INTEGER PRIMARY KEY AUTOINCREMENT,
        tbl TEXT NOT NULL,
        pot INTEGER NOT NULL,
        part INTEGER NOT NULL,
        UNIQUE (tbl, pot, part)
    ) STRICT;
    """
    + "".join(_noting(table, "OLD", what) for table in _PART_OF for what in ("UPDATE", "DELETE"))
    # an earlier batch may teach again; the number of the newest care that was removed is given once more
    + _noting("taught", "NEW", "INSERT")
    + _noting("care", "NEW", "INSERT"),
)
