"""The archive's tables, and how they grew: each step in one transaction with the note that it was made.

A released step is never changed; a new need is a new step at the end.
"""

from __future__ import annotations

_FIRST = """
-- Each course of each store: how far the archive holds every row of it, in the same transaction as the rows.
CREATE TABLE courses (
    bench text NOT NULL,
    store uuid NOT NULL,
    epoch uuid NOT NULL,
    since timestamptz NOT NULL DEFAULT now(),
    events bigint NOT NULL DEFAULT 0,
    raw bigint NOT NULL DEFAULT 0,
    PRIMARY KEY (bench, store, epoch)
);
-- The benches' logs. The key makes a row that comes twice one row. `content` is the entry's data to the
-- letter; `data` is the same for queries, empty where it is no JSON that the database takes.
CREATE TABLE events (
    bench text NOT NULL,
    store uuid NOT NULL,
    epoch uuid NOT NULL,
    id bigint NOT NULL,
    session bigint NOT NULL,
    run bigint,
    time_s double precision NOT NULL,
    utc text NOT NULL,
    kind text NOT NULL,
    text text NOT NULL,
    content text NOT NULL,
    key text,
    own bytea,
    data jsonb,
    arrived timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (bench, store, epoch, id)
);
CREATE INDEX events_of_run ON events (bench, store, epoch, run, id) WHERE run IS NOT NULL;
-- Raw readings, packed as the bench packed them.
CREATE TABLE raw_blocks (
    bench text NOT NULL,
    store uuid NOT NULL,
    epoch uuid NOT NULL,
    id bigint NOT NULL,
    session bigint NOT NULL,
    run bigint,
    first_s double precision NOT NULL,
    last_s double precision NOT NULL,
    readings bigint NOT NULL,
    low_kg double precision,
    high_kg double precision,
    packed bytea NOT NULL,
    own bytea,
    PRIMARY KEY (bench, store, epoch, id)
);
CREATE FUNCTION stays() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN RAISE EXCEPTION 'the benches'' rows are append-only'; END $$;
CREATE TRIGGER events_stay BEFORE UPDATE OR DELETE ON events FOR EACH ROW EXECUTE FUNCTION stays();
CREATE TRIGGER raw_stay BEFORE UPDATE OR DELETE ON raw_blocks FOR EACH ROW EXECUTE FUNCTION stays();
-- Figures found from the archive; another program or other settings add rows and change none. SI.
CREATE TABLE run_figures (
    bench text NOT NULL,
    store uuid NOT NULL,
    epoch uuid NOT NULL,
    run bigint NOT NULL,
    upto bigint NOT NULL,
    settings text NOT NULL,
    version text NOT NULL,
    figure text NOT NULL,
    value double precision,
    u double precision,
    low95 double precision,
    high95 double precision,
    status text NOT NULL,
    why text,
    made timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (bench, store, epoch, run, upto, settings, version, figure)
);
CREATE VIEW points AS
    SELECT bench, store, epoch, run, id, utc, kind,
           (data->'point'->>'gap_m')::double precision AS gap_m,
           (data->'point'->>'orientation')::int AS orientation,
           (data->'point'->>'value_kg')::double precision AS value_kg,
           (data->'point'->>'u_kg')::double precision AS u_kg,
           (data->'point'->>'temperature_K')::double precision AS temperature_K
    FROM events WHERE kind IN ('zero', 'point') AND data IS NOT NULL;
CREATE VIEW runs AS
    SELECT bench, store, epoch, run,
           max(data->>'sample') FILTER (WHERE kind = 'planned') AS sample,
           min(utc) AS begun, max(utc) AS last,
           count(*) FILTER (WHERE kind = 'point') AS points,
           CASE (array_agg(kind ORDER BY id DESC)
                   FILTER (WHERE kind IN ('planned', 'started', 'went-on', 'held', 'stopped', 'finished')))[1]
               WHEN 'started' THEN 'running' WHEN 'went-on' THEN 'running'
               ELSE (array_agg(kind ORDER BY id DESC)
                   FILTER (WHERE kind IN ('planned', 'started', 'went-on', 'held', 'stopped', 'finished')))[1]
           END AS state,
           max(id) AS upto
    FROM events WHERE run IS NOT NULL GROUP BY bench, store, epoch, run;
-- The newest figures of each run, by settings and program.
CREATE VIEW figures AS
    SELECT DISTINCT ON (bench, store, epoch, run, settings, version, figure) *
    FROM run_figures ORDER BY bench, store, epoch, run, settings, version, figure, upto DESC;
-- What each bench last said of its devices.
CREATE VIEW devices AS
    SELECT DISTINCT ON (bench, split_part(text, ' ', 1))
           bench, split_part(text, ' ', 1) AS device, text, utc, store, epoch, id
    FROM events WHERE kind = 'device' ORDER BY bench, split_part(text, ' ', 1), utc DESC, id DESC;
"""

#: Two roles for the database's users: who fills the archive, and who reads it. Roles belong to the whole
#: database server: who may not make them goes on without.
_ROLES = """
DO $$ BEGIN
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'weighloop_bench') THEN
        CREATE ROLE weighloop_bench NOLOGIN;
    END IF;
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = 'weighloop_people') THEN
        CREATE ROLE weighloop_people NOLOGIN;
    END IF;
    GRANT SELECT ON ALL TABLES IN SCHEMA public TO weighloop_people, weighloop_bench;
    GRANT INSERT ON courses, events, raw_blocks, run_figures TO weighloop_bench;
    GRANT UPDATE (events, raw) ON courses TO weighloop_bench;
EXCEPTION WHEN insufficient_privilege THEN
    RAISE NOTICE 'the roles weighloop_bench and weighloop_people were not made: not allowed here';
END $$;
"""

_OPEN = """
-- Raw readings that stand in no block at the bench yet: the newest word of each course, until the block
-- itself has come. `after` is the last block before them.
CREATE TABLE open_pieces (
    bench text NOT NULL,
    store uuid NOT NULL,
    epoch uuid NOT NULL,
    piece int NOT NULL,
    after bigint NOT NULL,
    session bigint NOT NULL,
    run bigint,
    packed bytea NOT NULL,
    PRIMARY KEY (bench, store, epoch, piece)
);
CREATE VIEW open_block AS
    SELECT p.* FROM open_pieces p JOIN courses c USING (bench, store, epoch) WHERE p.after = c.raw;
DO $$ BEGIN
    GRANT SELECT ON open_pieces, open_block TO weighloop_people, weighloop_bench;
    GRANT INSERT, DELETE ON open_pieces TO weighloop_bench;
EXCEPTION WHEN insufficient_privilege OR undefined_object THEN
    RAISE NOTICE 'nothing was granted to weighloop_bench and weighloop_people: not allowed here';
END $$;
"""

STEPS: tuple[tuple[str, str], ...] = (
    ("rows of the benches, figures, views", _FIRST),
    ("roles for who fills and who reads", _ROLES),
    ("raw readings of a block that is still open", _OPEN),
)
