-- on_sample: the part of a power sample's extent in which a run was on
-- grain: circuit_id, start, ts
-- A run meets the samples of every local day it touches, and those of the day before whose extent reaches it.
-- rated_w [W]: of the sample's day. has_meter: the circuit's meter has samples among those loaded.
CREATE OR REPLACE TEMP TABLE on_sample AS
WITH reach AS (
    SELECT to_microseconds(CAST(coalesce(3 * max(interval_us), 0) AS BIGINT)) AS longest FROM sample
),
run_day AS (
    SELECT r.site_id, r.circuit_id, r.start, r.until, l.local_date, c.rated_w, m.circuit_id IS NOT NULL AS has_meter
    FROM new_run r
    JOIN load_day l ON l.site_id = r.site_id
    JOIN day d ON d.site_id = l.site_id AND d.local_date = l.local_date
    LEFT JOIN setting_day c ON c.circuit_id = r.circuit_id AND c.local_date = l.local_date
    LEFT JOIN (SELECT DISTINCT circuit_id FROM meter_sample) m ON m.circuit_id = r.circuit_id
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
    r.rated_w,
    r.has_meter,
    greatest(r.start, s.ts) AS on_from,
    least(r.until, s.end_ts) AS on_to
FROM run_day r
JOIN sample s ON s.site_id = r.site_id AND s.local_date = r.local_date AND s.ts < r.until AND s.end_ts > r.start
