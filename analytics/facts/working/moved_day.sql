-- moved_day: local days on which a circuit's standing state or a run is not what the stored facts say
-- grain: site_id, local_date
-- A run that changed touches the day it began (its length counts there) and the days by which its end moved; a
-- run that is new or gone touches all its days. A run longer than 31 days cannot be short, so the day it
-- began is left alone, unless it began on surplus.
WITH state_moved AS (
    SELECT n.site_id, n.local_date + 1 AS local_date
    FROM new_state n
    JOIN day_state o ON o.circuit_id = n.circuit_id AND o.local_date = n.local_date
    WHERE (n.closed, n.run_start, n.run_cause, n.off_ts, n.off_cause, n.event_ts, n.event_cause)
        IS DISTINCT FROM (o.closed, o.run_start, o.run_cause, o.off_ts, o.off_cause, o.event_ts, o.event_cause)
),
old_run AS (
    SELECT r.*, coalesce(r."end", r.start + to_microseconds(CAST(round(r.duration_s * 1e6) AS BIGINT))) AS until
    FROM run r
    JOIN bucket_site b USING (site_id)
    WHERE r.start >= b.events_from_ts
        OR (r.circuit_id, r.start) IN (SELECT (circuit_id, start) FROM new_run)
),
stretch AS (
    SELECT
        coalesce(n.site_id, o.site_id) AS site_id,
        coalesce(n.local_date, o.local_date) AS begun_on,
        coalesce(n.cause_on, o.cause_on) AS cause_on,
        coalesce(n.start, o.start) AS start,
        CASE WHEN n.start IS NULL OR o.start IS NULL THEN coalesce(n.start, o.start) ELSE least(n.until, o.until) END AS from_ts,
        greatest(n.until, o.until) AS to_ts
    FROM new_run n
    FULL JOIN old_run o ON o.circuit_id = n.circuit_id AND o.start = n.start
    WHERE (n.start, n."end", n.duration_s, n.cause_on, n.cause_off)
        IS DISTINCT FROM (o.start, o."end", o.duration_s, o.cause_on, o.cause_off)
)
SELECT site_id, local_date FROM state_moved
UNION
SELECT s.site_id, d.local_date
FROM stretch s
JOIN day d ON d.site_id = s.site_id AND d.start_ts <= s.to_ts AND d.end_ts > s.from_ts
UNION
SELECT site_id, begun_on FROM stretch WHERE cause_on = 'surplus' OR to_ts - start < INTERVAL 31 DAY
