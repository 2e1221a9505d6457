-- coverage: how much of a local day the site's power log covers
-- grain: site_id, local_date
-- covered_s, longest_gap_s, islanded_s [s]; longest_gap_s is taken up to the horizon; day_s is 23 to 25 h.
WITH extent_part AS (
    SELECT w.site_id, w.local_date, greatest(h.from_ts, w.start_ts) AS from_ts, least(h.to_ts, w.end_ts) AS to_ts, w.horizon
    FROM wanted_day w
    JOIN hole h ON h.site_id = w.site_id AND h.from_ts < w.end_ts AND h.to_ts > w.start_ts
),
gap AS (
    SELECT
        site_id,
        local_date,
        sum(epoch_us(to_ts - from_ts)) AS outside_us,
        max(epoch_us(least(to_ts, horizon) - from_ts)) AS longest_us
    FROM extent_part
    GROUP BY ALL
),
counted AS (
    SELECT
        s.site_id,
        s.local_date,
        count(*) AS samples,
        any_value(s.interval_us) AS interval_us,
        max(s.ts) AS last_sample_ts,
        count(*) FILTER (WHERE u.ts IS NOT NULL) AS day_samples,
        count(*) FILTER (WHERE s.whole) AS residual_samples,
        count(*) FILTER (WHERE s.whole AND abs(s.house_w - s.pv_w - s.grid_w - s.battery_w) > greatest(100, 0.05 * abs(s.house_w)))
            AS residual_bad,
        count(*) FILTER (
            WHERE s.whole
                AND abs(s.house_w - s.pv_w - s.grid_w - s.battery_w) > greatest(100, 0.05 * abs(s.house_w))
                AND abs(s.house_w - s.pv_w + s.grid_w - s.battery_w) <= greatest(100, 0.05 * abs(s.house_w))
        ) AS flip_grid_good,
        count(*) FILTER (
            WHERE s.whole
                AND abs(s.house_w - s.pv_w - s.grid_w - s.battery_w) > greatest(100, 0.05 * abs(s.house_w))
                AND abs(s.house_w - s.pv_w - s.grid_w + s.battery_w) <= greatest(100, 0.05 * abs(s.house_w))
        ) AS flip_battery_good,
        count(*) FILTER (WHERE u.ts IS NOT NULL AND s.pv_w < -5) AS pv_negative_day,
        count(*) FILTER (WHERE s.house_w < 0) AS house_negative
    FROM sample s
    LEFT JOIN sun_up u ON u.site_id = s.site_id AND u.ts = time_bucket(INTERVAL 30 MINUTE, s.ts)
    GROUP BY ALL
),
apart AS (
    SELECT w.site_id, w.local_date, sum(epoch_us(least(s.end_ts, w.end_ts) - greatest(s.ts, w.start_ts))) AS islanded_us
    FROM (SELECT * FROM sample WHERE islanded) s
    JOIN wanted_day w ON w.site_id = s.site_id AND s.ts < w.end_ts AND s.end_ts > w.start_ts
    GROUP BY ALL
)
SELECT
    w.site_id,
    w.local_date,
    epoch_us(w.end_ts - w.start_ts) / 1e6 AS day_s,
    coalesce(c.samples, 0) AS samples,
    c.interval_us / 1e6 AS interval_s,
    (epoch_us(w.end_ts - w.start_ts) - coalesce(g.outside_us, 0)) / 1e6 AS covered_s,
    greatest(coalesce(g.longest_us, 0), 0) / 1e6 AS longest_gap_s,
    r.first_ts,
    r.last_ts,
    c.last_sample_ts,
    coalesce(a.islanded_us, 0) / 1e6 AS islanded_s,
    coalesce(c.day_samples, 0) AS day_samples,
    coalesce(c.residual_samples, 0) AS residual_samples,
    coalesce(c.residual_bad, 0) AS residual_bad,
    coalesce(c.flip_grid_good, 0) AS flip_grid_good,
    coalesce(c.flip_battery_good, 0) AS flip_battery_good,
    coalesce(c.pv_negative_day, 0) AS pv_negative_day,
    coalesce(c.house_negative, 0) AS house_negative
FROM wanted_day w
LEFT JOIN gap g USING (site_id, local_date)
LEFT JOIN counted c USING (site_id, local_date)
LEFT JOIN apart a USING (site_id, local_date)
LEFT JOIN known_rows r USING (site_id, local_date)
