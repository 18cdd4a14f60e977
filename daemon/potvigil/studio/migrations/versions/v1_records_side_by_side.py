"""The record's tables (format 9) with the record's id in each row, and who may see and write which."""

from alembic import op

revision = "1"
down_revision = None

_TABLES = """
    CREATE TABLE potvigil.record (
        id uuid PRIMARY KEY,
        owner text NOT NULL DEFAULT current_user,
        workshop text NOT NULL,
        copied_from uuid,
        marks jsonb NOT NULL DEFAULT '{}',
        seen timestamptz NOT NULL DEFAULT now()
    );

    -- Which workshop a role belongs to, or may look at; '*' is any.
    CREATE TABLE potvigil.member (
        role text NOT NULL,
        workshop text NOT NULL,
        PRIMARY KEY (role, workshop)
    );

    CREATE TABLE potvigil.pot (
        record uuid NOT NULL,
        id bigint NOT NULL,
        name text NOT NULL,
        PRIMARY KEY (record, id)
    );

    CREATE TABLE potvigil.run (
        record uuid NOT NULL,
        id bigint NOT NULL,
        boot_id text NOT NULL,
        start_t_s double precision NOT NULL,
        axis_offset_s double precision NOT NULL,
        start_utc_s double precision,
        gap_known bigint NOT NULL,
        settings text NOT NULL,
        rehearsed text,
        version text NOT NULL,
        PRIMARY KEY (record, id)
    );

    CREATE TABLE potvigil.batch (
        record uuid NOT NULL,
        id bigint NOT NULL,
        pot bigint NOT NULL,
        run bigint,
        start_t_s double precision NOT NULL,
        start_utc_s double precision,
        end_t_s double precision,
        end_utc_s double precision,
        verdict text,
        summary text,
        leak_t_s double precision,
        leak_pa_per_s double precision,
        leak_low_pa_per_s double precision,
        leak_high_pa_per_s double precision,
        leak_established bigint,
        alarms bigint,
        PRIMARY KEY (record, id)
    );
    CREATE INDEX batch_of_pot ON potvigil.batch (record, pot, id);
    CREATE INDEX batch_begun ON potvigil.batch (start_utc_s);

    CREATE TABLE potvigil.edit (
        record uuid NOT NULL,
        id bigint NOT NULL,
        batch bigint NOT NULL,
        field text NOT NULL,
        new text NOT NULL,
        by text NOT NULL,
        utc_s double precision,
        old text NOT NULL,
        t_s double precision,
        PRIMARY KEY (record, id)
    );
    CREATE INDEX edit_of_batch ON potvigil.edit (record, batch, field, id);

    CREATE TABLE potvigil.event (
        record uuid NOT NULL,
        id bigint NOT NULL,
        pot bigint NOT NULL,
        batch bigint,
        t_s double precision NOT NULL,
        utc_s double precision,
        kind text NOT NULL,
        alarm text,
        line text NOT NULL,
        PRIMARY KEY (record, id)
    );
    CREATE INDEX event_of_batch ON potvigil.event (record, batch);
    CREATE INDEX event_of_alarm ON potvigil.event (record, pot, alarm, id) WHERE alarm IS NOT NULL;

    CREATE TABLE potvigil.command (
        record uuid NOT NULL,
        id bigint NOT NULL,
        pot bigint NOT NULL,
        action text NOT NULL,
        alarm text,
        text text NOT NULL,
        duration_s double precision,
        by text NOT NULL,
        written_utc_s double precision,
        t_s double precision,
        field text,
        run bigint,
        asked_boot_s double precision,
        outcome text,
        answer text,
        PRIMARY KEY (record, id)
    );

    CREATE TABLE potvigil.delivery (
        record uuid NOT NULL,
        id bigint NOT NULL,
        pot bigint,
        t_s double precision NOT NULL,
        utc_s double precision,
        alarm text NOT NULL,
        target text NOT NULL,
        kind text NOT NULL,
        fault text,
        PRIMARY KEY (record, id)
    );

    CREATE TABLE potvigil.care (
        record uuid NOT NULL,
        id bigint NOT NULL,
        pot bigint NOT NULL,
        utc_s double precision NOT NULL,
        part text NOT NULL,
        text text NOT NULL,
        by text NOT NULL,
        written_utc_s double precision,
        due_utc_s double precision,
        leak_pa_per_s double precision,
        leak_low_pa_per_s double precision,
        leak_high_pa_per_s double precision,
        readings text,
        PRIMARY KEY (record, id)
    );

    CREATE TABLE potvigil.taught (
        record uuid NOT NULL,
        batch bigint NOT NULL,
        batches bigint NOT NULL,
        found text NOT NULL,
        PRIMARY KEY (record, batch)
    );

    CREATE TABLE potvigil.fault (
        record uuid NOT NULL,
        id bigint NOT NULL,
        faults text NOT NULL,
        PRIMARY KEY (record, id)
    );

    CREATE TABLE potvigil.trace (
        record uuid NOT NULL,
        pot bigint NOT NULL,
        t_s double precision NOT NULL,
        stage text NOT NULL,
        gauge_pa double precision,
        corrected_gauge_pa double precision,
        gas_k double precision,
        wall_k double precision,
        room_k double precision,
        leak_pa_per_s double precision,
        leak_low_pa_per_s double precision,
        leak_high_pa_per_s double precision,
        leak_established bigint NOT NULL,
        floor_s double precision,
        floor_earliest_s double precision,
        floor_latest_s double precision,
        cure_progress double precision,
        cure_done_s double precision,
        contents_k double precision,
        PRIMARY KEY (record, pot, t_s)
    );

    CREATE TABLE potvigil.sample (
        record uuid NOT NULL,
        pot bigint NOT NULL,
        t_s double precision NOT NULL,
        utc_s double precision,
        transducer_count double precision,
        supply_count double precision,
        gauge_pa double precision,
        absolute_pa double precision,
        gas_c double precision,
        wall_c double precision,
        room_c double precision,
        ambient_pa double precision,
        faults text,
        spread text,
        contents_c double precision,
        PRIMARY KEY (record, pot, t_s)
    );

    -- Of a cast; content as it lies beside the record.
    CREATE TABLE potvigil.picture (
        record uuid NOT NULL,
        batch bigint NOT NULL,
        name text NOT NULL,
        content bytea NOT NULL,
        PRIMARY KEY (record, batch, name)
    );
"""
_OF_A_RECORD = (
    *("pot", "run", "batch", "edit", "event", "command", "delivery", "care", "taught", "fault", "trace"),
    *("sample", "picture"),
)
# Two groups: a machine writes the records it owns, within its workshops; a reader sees those of his
# workshops. The policy of `record` decides for all tables, because a query within a policy is itself subject
# to policies.
_ROLES = """
    DO $$ BEGIN
        IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'potvigil_machine') THEN
            CREATE ROLE potvigil_machine NOLOGIN;
        END IF;
        IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'potvigil_reader') THEN
            CREATE ROLE potvigil_reader NOLOGIN;
        END IF;
    END $$;
    GRANT USAGE ON SCHEMA potvigil TO potvigil_machine, potvigil_reader;
    GRANT SELECT ON ALL TABLES IN SCHEMA potvigil TO potvigil_machine, potvigil_reader;
    GRANT INSERT (id, workshop, copied_from), UPDATE (workshop, copied_from, marks, seen)
        ON potvigil.record TO potvigil_machine;

    ALTER TABLE potvigil.member ENABLE ROW LEVEL SECURITY;
    CREATE POLICY own ON potvigil.member FOR SELECT TO potvigil_machine, potvigil_reader
        USING (role = current_user);

    ALTER TABLE potvigil.record ENABLE ROW LEVEL SECURITY;
    CREATE POLICY own ON potvigil.record TO potvigil_machine
        USING (owner = current_user) WITH CHECK (owner = current_user
            AND EXISTS (SELECT FROM potvigil.member AS m WHERE m.workshop IN (record.workshop, '*')));
    CREATE POLICY seen ON potvigil.record FOR SELECT TO potvigil_reader
        USING (EXISTS (SELECT FROM potvigil.member AS m WHERE m.workshop IN (record.workshop, '*')));
"""
_OF_EACH = """
    ALTER TABLE potvigil.{0} ENABLE ROW LEVEL SECURITY;
    GRANT INSERT, UPDATE, DELETE ON potvigil.{0} TO potvigil_machine;
    CREATE POLICY own ON potvigil.{0} TO potvigil_machine
        USING (record IN (SELECT id FROM potvigil.record));
    CREATE POLICY seen ON potvigil.{0} FOR SELECT TO potvigil_reader
        USING (record IN (SELECT id FROM potvigil.record));
"""


def upgrade() -> None:
    op.execute(_TABLES)
    op.execute(_ROLES)
    for table in _OF_A_RECORD:
        op.execute(_OF_EACH.format(table))
