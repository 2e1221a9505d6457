-- new_run: runs that begin with the events read, and the run that stood before them
-- grain: circuit_id, start
-- `until` is the end, or the horizon of the site while the run is open.
CREATE OR REPLACE TEMP TABLE new_run AS
WITH change AS (
    SELECT site_id, circuit_id, local_date, place, ts, closed, cause FROM event WHERE NOT repeats
    UNION ALL
    SELECT site_id, circuit_id, run_date, 0, run_start, true, run_cause FROM state_before WHERE closed
),
paired AS (
    SELECT
        *,
        lead(ts) OVER in_order AS end_ts,
        lead(cause) OVER in_order AS cause_off
    FROM change
    WINDOW in_order AS (PARTITION BY circuit_id ORDER BY place)
)
SELECT
    p.site_id,
    p.circuit_id,
    p.local_date,
    p.ts AS start,
    p.end_ts AS "end",
    coalesce(p.end_ts, greatest(b.horizon, p.ts)) AS until,
    epoch_us(coalesce(p.end_ts, greatest(b.horizon, p.ts)) - p.ts) / 1e6 AS duration_s,
    p.cause AS cause_on,
    p.cause_off
FROM paired p
JOIN bucket_site b USING (site_id)
WHERE p.closed
