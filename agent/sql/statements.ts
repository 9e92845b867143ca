/** The statements of the sink, for PostgreSQL 15 or later; what they need is made by config/postgres.sql. */
import { stagedColumns } from './rows.js'

/** Format number of the schema. */
export const schemaFormat = '1'

export const isMade = `SELECT to_regclass('motepost.format') IS NOT NULL AS made`
export const formatOf = 'SELECT max(number) AS number FROM motepost.format'
/** Two collectors that begin at once make one schema. */
export const lockSchema = `SELECT pg_advisory_lock(hashtext('motepost.schema'))`
export const unlockSchema = `SELECT pg_advisory_unlock(hashtext('motepost.schema'))`

/** Of the session alone. A month's partition waits for whoever reads; not for ever. */
export const stagingTables = `SET TIME ZONE 'UTC'; SET lock_timeout = '30s'; SET extra_float_digits = 1;
  CREATE TEMPORARY TABLE staged (${stagedColumns.join(', ')}) ON COMMIT DELETE ROWS;
  CREATE TEMPORARY TABLE moved (seq bigint, at timestamptz, at_by text, at_error_s double precision) ON COMMIT DELETE ROWS`

export const knownSets = 'SELECT heading FROM motepost.column_sets'
export const insertSets = `INSERT INTO motepost.column_sets SELECT * FROM unnest($1::text[], $2::text[])
  ON CONFLICT DO NOTHING`
export const insertColumns = `INSERT INTO motepost.columns SELECT * FROM
  unnest($1::text[], $2::int[], $3::text[], $4::text[], $5::text[], $6::int[], $7::text[], $8::text[])
  ON CONFLICT DO NOTHING`

export const marksOf = 'SELECT store_no, file, bytes, last_crc FROM motepost.marks WHERE feed = $1'
export const putMark = `INSERT INTO motepost.marks VALUES ($1, $2, $3, $4, $5)
  ON CONFLICT (feed, store_no, file) DO UPDATE SET bytes = excluded.bytes, last_crc = excluded.last_crc`

export const insertStore = `INSERT INTO motepost.stores (station_group, station, store_id) VALUES ($1, $2, $3)
  ON CONFLICT DO NOTHING`
export const findStore = `SELECT store_no FROM motepost.stores
  WHERE station_group = $1 AND station = $2 AND store_id = $3`

/** A station whose clock is wrong by decades must not make a thousand tables: others lie in the table 'elsewhen'. */
export const makeMonths = `SELECT motepost.make_month(parent, month)
  FROM unnest(ARRAY['records', 'events']) AS parent, unnest($1::date[]) AS month
  WHERE month >= '2000-01-01' AND month <= now() + interval '40 days'`

/** What is there already stays as it is. */
export const insertStaged = `WITH
  fresh AS (INSERT INTO motepost.lines SELECT store_no, seq, kind, crc FROM staged
    ON CONFLICT DO NOTHING RETURNING store_no, seq),
  new AS (SELECT staged.* FROM staged JOIN fresh USING (store_no, seq)),
  records AS (INSERT INTO motepost.records SELECT store_no, seq, at, at_by, at_error_s, said_at, boot, mono_s, seconds,
    planned_s, set_id, vals, excluded_s, marked_s FROM new WHERE kind = 'record'),
  events AS (INSERT INTO motepost.events SELECT store_no, seq, at, at_by, at_error_s, said_at, boot, mono_s, name, details
    FROM new WHERE kind = 'event'),
  anchors AS (INSERT INTO motepost.anchors SELECT store_no, seq, boot, mono_s, at, name, error_s
    FROM new WHERE kind = 'anchor' AND at IS NOT NULL),
  withdrawals AS (INSERT INTO motepost.withdrawals SELECT store_no, seq, from_seq, to_seq
    FROM new WHERE from_seq IS NOT NULL)
  SELECT (SELECT count(*) FROM fresh) AS given,
    (SELECT count(*) FROM staged JOIN motepost.lines l USING (store_no, seq) WHERE l.crc <> staged.crc) AS different`

/** @param all also of rows that have a time of their own */
export const rowsOfStretch = (table: 'records' | 'events', all: boolean): string => `
  SELECT seq, mono_s, (extract(epoch FROM said_at) * 1000)::bigint AS said, (extract(epoch FROM at) * 1000)::bigint AS at, at_error_s
  FROM motepost.${table} WHERE store_no = $1 AND boot = $2 AND mono_s >= $3::float8 AND mono_s <= $4::float8
    AND (mono_s, seq) > ($5::float8, $6::bigint) ${all ? '' : `AND at_by IS DISTINCT FROM 'line'`}
  ORDER BY mono_s, seq LIMIT $7`

export const updateTimes = (table: 'records' | 'events'): string =>
  `UPDATE motepost.${table} r SET at = m.at, at_by = m.at_by, at_error_s = m.at_error_s
  FROM moved m WHERE r.store_no = $1 AND r.seq = m.seq`
