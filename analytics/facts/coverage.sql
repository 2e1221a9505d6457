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
        site_id,
        local_date,
        CAST(sum(samples) AS BIGINT) AS samples,
        any_value(interval_us) AS interval_us,
        max(last_sample_ts) AS last_sample_ts,
        CAST(sum(samples) FILTER (WHERE sun_up) AS BIGINT) AS day_samples,
        CAST(sum(residual_samples) AS BIGINT) AS residual_samples,
        CAST(sum(residual_bad) AS BIGINT) AS residual_bad,
        CAST(sum(flip_grid_good) AS BIGINT) AS flip_grid_good,
        CAST(sum(flip_battery_good) AS BIGINT) AS flip_battery_good,
        CAST(sum(pv_negative) FILTER (WHERE sun_up) AS BIGINT) AS pv_negative_day,
        CAST(sum(house_negative) AS BIGINT) AS house_negative
    FROM half_hour
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
