-- half_hour: mean generation in each half hour of the UTC day, beside the clear-sky irradiance at its middle
-- grain: site_id, local_date, half_ts
CREATE OR REPLACE TEMP TABLE half_hour AS
WITH mean AS (
    SELECT
        s.site_id,
        s.local_date,
        time_bucket(INTERVAL 30 MINUTE, s.ts) AS half_ts,
        sum(CAST(round(s.pv_w * 1e6) AS HUGEINT)) / count(*) / 1e6 AS pv_w
    FROM sample s
    SEMI JOIN wanted_day w ON w.site_id = s.site_id AND w.local_date = s.local_date
    GROUP BY ALL
)
SELECT m.*, 2 * hour(m.half_ts) + minute(m.half_ts) // 30 AS half, k.ghi_wm2
FROM mean m
LEFT JOIN sky k ON k.site_id = m.site_id AND k.half_ts = m.half_ts
