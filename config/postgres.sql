-- What `motepost collect` keeps in PostgreSQL 15 or later where its settings have a block `postgres`. The collector runs this file by
-- itself in a database without a schema `motepost`; a user who may not create one lets the database's owner run it first:
--   psql --single-transaction -f postgres.sql DATABASE
--
-- The archive of the collector stays the truth: everything here can be dropped and is filled again from it.
-- A name that ends in _s is in seconds, times are instants (UTC). Identity of a line: store and number, see `lines`.

CREATE SCHEMA motepost;
COMMENT ON SCHEMA motepost IS 'lines of stations as motepost collect brings them here; format 1';

-- One row. The collector refuses a schema of another number.
CREATE TABLE motepost.format (number int PRIMARY KEY);
INSERT INTO motepost.format VALUES (1);

-- A data folder of a station. A new card is a new store.
CREATE TABLE motepost.stores (
  store_no int GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
  station_group text NOT NULL,
  station text NOT NULL,
  store_id text NOT NULL,
  UNIQUE (station_group, station, store_id)
);

-- Up to where each file of an archive stands here. `feed` is the archive, by a random word that lies in its folder.
CREATE TABLE motepost.marks (
  feed text NOT NULL,
  store_no int NOT NULL,
  file text NOT NULL,
  bytes bigint NOT NULL,
  last_crc text NOT NULL, -- of the line before that place: another file under this name is read anew
  PRIMARY KEY (feed, store_no, file)
);

-- Every numbered line that was taken, of whatever kind: here the database itself lets no number in twice.
CREATE TABLE motepost.lines (
  store_no int NOT NULL,
  seq bigint NOT NULL,
  kind text NOT NULL, -- record, anchor, event; seal, skip, gone and unknown kinds have no further row
  crc int NOT NULL, -- CRC-32 of the canonical text, signed
  PRIMARY KEY (store_no, seq)
);

-- What the values of a record mean.
CREATE TABLE motepost.column_sets (set_id text PRIMARY KEY, heading text NOT NULL);
CREATE TABLE motepost.columns (
  set_id text NOT NULL,
  position int NOT NULL, -- in records.vals, from 1
  channel text NOT NULL, -- with slot: pm2_5.1
  statistic text NOT NULL, -- mean, used (seconds), max, min, sd, all (mean of all readings, excluded ones too)
  unit text NOT NULL, -- of mean, max, min, sd and all
  decimals int NOT NULL,
  scaling text, -- atmospheric or standard-particle, for masses
  basis text NOT NULL, -- measured or inferred
  PRIMARY KEY (set_id, position)
);

-- One row a minute. Raw: nothing is corrected here but the time.
CREATE TABLE motepost.records (
  store_no int NOT NULL,
  seq bigint NOT NULL,
  at timestamptz, -- start of the minute, as now known; null while no time check of its boot has come
  at_by text, -- line: by a clock the station trusted then; check: by a time check of the same boot, which may have come later
  at_error_s double precision, -- error bound, where a time check says it
  said_at timestamptz, -- as the line itself says it
  boot text NOT NULL,
  mono_s double precision NOT NULL, -- since that boot
  seconds double precision NOT NULL, -- length of the record
  planned_s double precision NOT NULL, -- of it with the sensor running by plan
  set_id text NOT NULL,
  vals double precision[] NOT NULL, -- null where there is no value; see columns, or the view readings
  excluded_s jsonb NOT NULL, -- seconds by reason
  marked_s jsonb NOT NULL
) PARTITION BY RANGE (at);
CREATE TABLE motepost.records_elsewhen PARTITION OF motepost.records DEFAULT; -- without a time, or one that no month is made for
CREATE INDEX ON motepost.records (store_no, at);
CREATE INDEX ON motepost.records (store_no, seq);
CREATE INDEX ON motepost.records (store_no, boot, mono_s) WHERE at_by IS DISTINCT FROM 'line';

CREATE TABLE motepost.events (
  store_no int NOT NULL,
  seq bigint NOT NULL,
  at timestamptz,
  at_by text,
  at_error_s double precision,
  said_at timestamptz,
  boot text NOT NULL,
  mono_s double precision NOT NULL,
  name text NOT NULL, -- alert, started, stopped, sitelog …
  details jsonb NOT NULL
) PARTITION BY RANGE (at);
CREATE TABLE motepost.events_elsewhen PARTITION OF motepost.events DEFAULT;
CREATE INDEX ON motepost.events (store_no, at);
CREATE INDEX ON motepost.events (store_no, seq);
CREATE INDEX ON motepost.events (store_no, boot, mono_s) WHERE at_by IS DISTINCT FROM 'line';

-- Time checks: at mono_s of this boot it was `at`, to error_s.
CREATE TABLE motepost.anchors (
  store_no int NOT NULL,
  seq bigint NOT NULL,
  boot text NOT NULL,
  mono_s double precision NOT NULL,
  at timestamptz NOT NULL,
  source text NOT NULL,
  error_s double precision NOT NULL,
  PRIMARY KEY (store_no, seq)
);
CREATE INDEX ON motepost.anchors (store_no, boot, mono_s);
-- Time checks from_seq to to_seq were proved wrong.
CREATE TABLE motepost.withdrawals (
  store_no int NOT NULL,
  seq bigint NOT NULL,
  from_seq bigint NOT NULL,
  to_seq bigint NOT NULL,
  PRIMARY KEY (store_no, seq)
);

-- Makes the partition of a month (UTC), and brings what waited elsewhere into it.
CREATE FUNCTION motepost.make_month(parent text, month date) RETURNS void LANGUAGE plpgsql AS $$
DECLARE
  part text := parent || to_char(month, '_YYYY_MM');
  from_time text := to_char(month, 'YYYY-MM-DD') || ' 00:00+00';
  to_time text := to_char(month + interval '1 month', 'YYYY-MM-DD') || ' 00:00+00';
BEGIN
  IF to_regclass('motepost.' || part) IS NOT NULL THEN RETURN; END IF;
  PERFORM pg_advisory_xact_lock(hashtext('motepost.make_month'));
  IF to_regclass('motepost.' || part) IS NOT NULL THEN RETURN; END IF;
  EXECUTE format('CREATE TABLE motepost.%I (LIKE motepost.%I INCLUDING ALL)', part, parent);
  EXECUTE format('WITH moved AS (DELETE FROM motepost.%I WHERE at >= %L AND at < %L RETURNING *) INSERT INTO motepost.%I SELECT * FROM moved',
    parent || '_elsewhen', from_time, to_time, part);
  EXECUTE format('ALTER TABLE motepost.%I ATTACH PARTITION motepost.%I FOR VALUES FROM (%L) TO (%L)', parent, part, from_time, to_time);
END $$;

-- For people: one row a minute and channel.
CREATE VIEW motepost.readings AS
SELECT s.station_group, s.station, s.store_id, r.store_no, r.seq, r.at, r.at_by, r.at_error_s, r.seconds, r.planned_s,
  c.channel, c.unit, c.scaling, c.basis,
  r.vals[c.mean_at] AS mean, r.vals[c.used_at] AS used_s, r.vals[c.max_at] AS max, r.vals[c.min_at] AS min,
  r.vals[c.sd_at] AS sd, r.vals[c.all_at] AS all_mean, r.excluded_s, r.marked_s
FROM motepost.records r
JOIN motepost.stores s USING (store_no)
JOIN (
  SELECT set_id, channel, max(unit) FILTER (WHERE statistic <> 'used') AS unit, max(scaling) AS scaling, max(basis) AS basis,
    max(position) FILTER (WHERE statistic = 'mean') AS mean_at, max(position) FILTER (WHERE statistic = 'used') AS used_at,
    max(position) FILTER (WHERE statistic = 'max') AS max_at, max(position) FILTER (WHERE statistic = 'min') AS min_at,
    max(position) FILTER (WHERE statistic = 'sd') AS sd_at, max(position) FILTER (WHERE statistic = 'all') AS all_at
  FROM motepost.columns GROUP BY set_id, channel
) c USING (set_id);
