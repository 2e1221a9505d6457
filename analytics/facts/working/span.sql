-- span: where the logs of each site begin and end
-- grain: site_id
CREATE OR REPLACE TEMP TABLE span AS
SELECT
    site_id,
    min(first_ts) AS first_ts,
    max(last_ts) AS last_ts,
    min(local_date) AS first_date,
    max(local_date) AS last_date,
    max(last_sample_ts) AS last_sample_ts,
    max(local_date) FILTER (WHERE last_sample_ts IS NOT NULL) AS last_sample_date
FROM known_rows
GROUP BY ALL
