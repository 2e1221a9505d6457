-- on_sample: the part of a power sample's extent in which a run was on
-- grain: circuit_id, start, ts
-- A run meets the samples of every local day it touches, and those of the day before whose extent reaches it.
CREATE OR REPLACE TEMP TABLE on_sample AS
WITH reach AS (
    SELECT to_microseconds(CAST(coalesce(3 * max(interval_us), 0) AS BIGINT)) AS longest FROM sample
),
run_day AS (
    SELECT r.site_id, r.circuit_id, r.start, r.until, l.local_date
    FROM new_run r
    JOIN load_day l ON l.site_id = r.site_id
    JOIN day d ON d.site_id = l.site_id AND d.local_date = l.local_date
    CROSS JOIN reach
    WHERE r.until > r.start AND r.until > d.start_ts AND r.start < d.end_ts + reach.longest
)
SELECT
    r.site_id,
    r.circuit_id,
    r.start,
    s.local_date,
    s.ts,
    s.end_ts,
    s.day_end,
    s.grid_w,
    greatest(r.start, s.ts) AS on_from,
    least(r.until, s.end_ts) AS on_to
FROM run_day r
JOIN sample s ON s.site_id = r.site_id AND s.local_date = r.local_date AND s.ts < r.until AND s.end_ts > r.start
