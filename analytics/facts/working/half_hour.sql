-- half_hour: the samples of each half hour of the UTC clock: mean generation beside the clear sky, and their quality
-- grain: site_id, local_date, half_ts
-- pv_w [W], ghi_wm2 [W/m2]; a residual is bad beyond max(100 W, 5 %) of the consumption.
CREATE OR REPLACE TEMP TABLE half_hour AS
WITH judged AS (
    SELECT
        s.*,
        s.house_w - s.pv_w - s.grid_w - s.battery_w AS residual_w,
        greatest(100, 0.05 * abs(s.house_w)) AS allowed_w
    FROM sample s
    SEMI JOIN wanted_day w ON w.site_id = s.site_id AND w.local_date = s.local_date
),
mean AS (
    SELECT
        site_id,
        local_date,
        time_bucket(INTERVAL 30 MINUTE, ts) AS half_ts,
        sum(CAST(round(pv_w * 1e6) AS HUGEINT)) / count(*) / 1e6 AS pv_w,
        count(*) AS samples,
        any_value(interval_us) AS interval_us,
        max(ts) AS last_sample_ts,
        count(*) FILTER (WHERE whole) AS residual_samples,
        count(*) FILTER (WHERE whole AND abs(residual_w) > allowed_w) AS residual_bad,
        count(*) FILTER (WHERE whole AND abs(residual_w) > allowed_w AND abs(residual_w + 2 * grid_w) <= allowed_w) AS flip_grid_good,
        count(*) FILTER (WHERE whole AND abs(residual_w) > allowed_w AND abs(residual_w + 2 * battery_w) <= allowed_w)
            AS flip_battery_good,
        count(*) FILTER (WHERE pv_w < -5) AS pv_negative,
        count(*) FILTER (WHERE house_w < 0) AS house_negative
    FROM judged
    GROUP BY ALL
)
SELECT m.*, 2 * hour(m.half_ts) + minute(m.half_ts) // 30 AS half, k.ghi_wm2, coalesce(k.ghi_wm2 >= 50, false) AS sun_up
FROM mean m
LEFT JOIN sky k ON k.site_id = m.site_id AND k.half_ts = m.half_ts
