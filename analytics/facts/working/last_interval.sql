-- last_interval: the interval [us] by which a site's last sample counts, for its horizon
-- grain: site_id
-- Newest day with 3 samples, at most 31 days before the last sample; else the distance of that day's two; else 0.
CREATE OR REPLACE TEMP TABLE last_interval AS
WITH known AS (
    SELECT r.site_id, r.local_date, r.samples, NULL AS interval_us FROM day_rows r
    UNION ALL
    SELECT c.site_id, c.local_date, c.samples, c.interval_s * 1e6
    FROM coverage c
    JOIN span s ON s.site_id = c.site_id AND c.local_date BETWEEN s.last_sample_date - 31 AND s.last_sample_date
    ANTI JOIN look_day l ON l.site_id = c.site_id AND l.local_date = c.local_date
),
picked AS (
    SELECT k.*
    FROM known k
    JOIN span s ON s.site_id = k.site_id AND k.local_date BETWEEN s.last_sample_date - 31 AND s.last_sample_date
    WHERE k.samples >= 3 OR (k.samples = 2 AND k.local_date = s.last_sample_date)
    QUALIFY row_number() OVER (PARTITION BY k.site_id ORDER BY k.samples >= 3 DESC, k.local_date DESC) = 1
),
spaced AS (
    SELECT p.site_id, p.ts - lag(p.ts) OVER (PARTITION BY p.site_id ORDER BY p.ts) AS distance
    FROM picked k
    JOIN look_day_utc d ON d.site_id = k.site_id AND d.local_date = k.local_date
    JOIN power_log p
        ON p.site_id = d.site_id AND d.utc_date = CAST(p.ts AS DATE) AND p.ts >= d.start_ts AND p.ts < d.end_ts
    WHERE k.interval_us IS NULL AND p.ts >= $first_ts AND p.ts < $last_ts AND p.ts < $as_of
),
measured AS (SELECT site_id, median(epoch_us(distance)) AS interval_us FROM spaced GROUP BY ALL)
SELECT k.site_id, coalesce(k.interval_us, m.interval_us, 0) AS interval_us
FROM picked k
LEFT JOIN measured m USING (site_id)
