-- span: where the logs of each site begin and end, from the days looked at and the coverage of all others
-- grain: site_id
CREATE OR REPLACE TEMP TABLE span AS
WITH seen AS (
    SELECT site_id, local_date, first_ts, last_ts, last_sample_ts FROM day_rows
    UNION ALL
    SELECT c.site_id, c.local_date, c.first_ts, c.last_ts, c.last_sample_ts
    FROM coverage c
    JOIN zone_site z USING (site_id)
    ANTI JOIN look_day l ON l.site_id = c.site_id AND l.local_date = c.local_date
    WHERE c.first_ts IS NOT NULL
)
SELECT
    site_id,
    min(first_ts) AS first_ts,
    max(last_ts) AS last_ts,
    min(local_date) AS first_date,
    max(local_date) AS last_date,
    max(last_sample_ts) AS last_sample_ts,
    max(local_date) FILTER (WHERE last_sample_ts IS NOT NULL) AS last_sample_date
FROM seen
GROUP BY ALL
