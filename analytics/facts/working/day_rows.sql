-- day_rows: first and last log row of each site on the days that are looked at anew
-- grain: site_id, local_date
CREATE OR REPLACE TEMP TABLE day_rows AS
WITH seen AS (
    SELECT d.site_id, d.local_date, min(p.ts) AS first_ts, max(p.ts) AS last_ts, max(p.ts) AS last_sample_ts,
        count(*) AS samples
    FROM power_log p
    JOIN look_day_utc d
        ON d.site_id = p.site_id AND d.utc_date = CAST(p.ts AS DATE) AND p.ts >= d.start_ts AND p.ts < d.end_ts
    WHERE p.ts >= $first_ts AND p.ts < $last_ts AND p.ts < $as_of
    GROUP BY ALL
    UNION ALL
    SELECT d.site_id, d.local_date, min(p.ts), max(p.ts), NULL, 0
    FROM (
        SELECT site_id, ts FROM switch_log WHERE ts >= $first_ts AND ts < $last_ts
        UNION ALL
        SELECT site_id, ts FROM circuit_power_log WHERE ts >= $first_ts AND ts < $last_ts
        UNION ALL
        SELECT site_id, ts FROM status_log WHERE ts >= $first_ts AND ts < $last_ts
    ) p
    JOIN look_day_utc d
        ON d.site_id = p.site_id AND d.utc_date = CAST(p.ts AS DATE) AND p.ts >= d.start_ts AND p.ts < d.end_ts
    WHERE p.ts < $as_of
    GROUP BY ALL
)
SELECT
    site_id,
    local_date,
    min(first_ts) AS first_ts,
    max(last_ts) AS last_ts,
    max(last_sample_ts) AS last_sample_ts,
    CAST(sum(samples) AS BIGINT) AS samples
FROM seen
GROUP BY ALL
