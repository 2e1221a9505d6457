-- new_state: how each circuit stands at the end of each local day from events_from on
-- grain: circuit_id, local_date
CREATE OR REPLACE TEMP TABLE new_state AS
WITH known AS (
    SELECT
        circuit_id,
        place,
        ts,
        closed,
        cause,
        last_value(CASE WHEN closed AND NOT repeats THEN ts END IGNORE NULLS) OVER so_far AS run_start,
        last_value(CASE WHEN closed AND NOT repeats THEN local_date END IGNORE NULLS) OVER so_far AS run_date,
        last_value(CASE WHEN closed AND NOT repeats THEN coalesce(cause, '') END IGNORE NULLS) OVER so_far AS run_cause,
        last_value(CASE WHEN NOT closed AND NOT repeats THEN ts END IGNORE NULLS) OVER so_far AS off_ts,
        last_value(CASE WHEN NOT closed AND NOT repeats THEN coalesce(cause, '') END IGNORE NULLS) OVER so_far AS off_cause
    FROM event
    WINDOW so_far AS (PARTITION BY circuit_id ORDER BY place ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW)
),
last_at_once AS (
    SELECT * FROM known QUALIFY row_number() OVER (PARTITION BY circuit_id, ts ORDER BY place DESC) = 1
),
day_end AS (
    SELECT d.site_id, c.circuit_id, d.local_date, d.end_ts
    FROM day d
    JOIN bucket_site b ON b.site_id = d.site_id AND d.local_date BETWEEN greatest(b.events_from, b.first_date) AND b.last_date
    JOIN bucket_circuit c ON c.site_id = d.site_id
)
SELECT
    e.site_id,
    e.circuit_id,
    e.local_date,
    coalesce(k.closed, s.closed) AS closed,
    CASE WHEN coalesce(k.closed, s.closed) THEN coalesce(k.run_start, s.run_start) END AS run_start,
    CASE WHEN coalesce(k.closed, s.closed) THEN coalesce(k.run_date, s.run_date) END AS run_date,
    CASE WHEN coalesce(k.closed, s.closed)
        THEN CASE WHEN k.run_start IS NOT NULL THEN nullif(k.run_cause, '') ELSE s.run_cause END
    END AS run_cause,
    coalesce(k.off_ts, s.off_ts) AS off_ts,
    CASE WHEN k.off_ts IS NOT NULL THEN nullif(k.off_cause, '') ELSE s.off_cause END AS off_cause,
    coalesce(k.ts, s.event_ts) AS event_ts,
    CASE WHEN k.ts IS NOT NULL THEN k.cause ELSE s.event_cause END AS event_cause
FROM day_end e
JOIN state_before s ON s.circuit_id = e.circuit_id
ASOF LEFT JOIN last_at_once k ON k.circuit_id = e.circuit_id AND k.ts < e.end_ts
