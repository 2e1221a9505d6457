-- hole: stretches of time outside every extent, between the samples loaded and on either side of them
-- grain: site_id, from_ts
-- Holes that touch are one: a sample of no extent does not end the hole it stands in.
-- A site that has no power log at all is covered, each day, from its first to its last row in any log.
CREATE OR REPLACE TEMP TABLE hole AS
WITH bounds AS (SELECT TIMESTAMP '0001-01-01' AS begin_of_time, TIMESTAMP '9999-01-01' AS end_of_time),
extent AS (
    SELECT site_id, ts, end_ts, next_ts FROM sample WHERE next_ts IS NULL OR end_ts < next_ts
    UNION ALL
    SELECT r.site_id, r.first_ts, r.last_ts, lead(r.first_ts) OVER (PARTITION BY r.site_id ORDER BY r.first_ts)
    FROM known_rows r
    JOIN bucket_site b USING (site_id)
    WHERE b.last_sample_ts IS NULL
),
first_seen AS (
    SELECT site_id, min(ts) AS ts FROM sample GROUP BY ALL
    UNION ALL
    SELECT r.site_id, min(r.first_ts)
    FROM known_rows r
    JOIN bucket_site b USING (site_id)
    WHERE b.last_sample_ts IS NULL
    GROUP BY ALL
),
piece AS (
    SELECT site_id, end_ts AS from_ts, coalesce(next_ts, end_of_time) AS to_ts FROM extent, bounds
    UNION ALL
    SELECT b.site_id, begin_of_time, coalesce(f.ts, end_of_time)
    FROM bucket_site b
    LEFT JOIN first_seen f USING (site_id), bounds
),
placed AS (
    SELECT *, from_ts > lag(to_ts) OVER (PARTITION BY site_id ORDER BY from_ts, to_ts) AS apart FROM piece
),
grouped AS (
    SELECT *, count(*) FILTER (WHERE apart) OVER (PARTITION BY site_id ORDER BY from_ts, to_ts) AS stretch FROM placed
)
SELECT site_id, min(from_ts) AS from_ts, max(to_ts) AS to_ts
FROM grouped
GROUP BY site_id, stretch
