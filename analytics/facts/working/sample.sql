-- sample: power samples of the days to be loaded, each with the extent it covers
-- grain: site_id, ts
-- Extent [ts, end_ts): to the next sample, at the most 3 intervals; the site's last sample covers one. The
-- interval of a day is the median distance of its samples; a day with fewer than 3 takes that of the newest
-- earlier day, within 31, that has 3. house_w and grid_w are derived from the balance where not logged.
CREATE OR REPLACE TEMP TABLE sample AS
WITH logged AS (
    SELECT
        p.site_id,
        d.local_date,
        d.end_ts AS day_end,
        p.ts,
        p.pv_w,
        coalesce(p.battery_w, 0) AS battery_w,
        coalesce(p.house_w, p.pv_w + p.grid_w + coalesce(p.battery_w, 0)) AS house_w,
        coalesce(p.grid_w, p.house_w - p.pv_w - coalesce(p.battery_w, 0)) AS grid_w,
        coalesce(p.islanded, false) AS islanded,
        p.house_w IS NOT NULL AND p.grid_w IS NOT NULL AS whole,
        lead(p.ts) OVER (PARTITION BY p.site_id ORDER BY p.ts) AS next_ts
    FROM power_log p
    JOIN load_day_utc d
        ON d.site_id = p.site_id AND d.utc_date = CAST(p.ts AS DATE) AND p.ts >= d.start_ts AND p.ts < d.end_ts
    WHERE p.ts >= $first_ts AND p.ts < $last_ts AND p.ts < $as_of
),
measured AS (
    SELECT
        site_id,
        local_date,
        count(*) AS samples,
        median(epoch_us(next_ts - ts)) FILTER (WHERE next_ts < day_end) AS interval_us
    FROM logged
    GROUP BY ALL
),
known AS (
    SELECT site_id, local_date, interval_us FROM measured WHERE samples >= 3
    UNION ALL
    SELECT c.site_id, c.local_date, c.interval_s * 1e6
    FROM coverage c
    ANTI JOIN load_day l ON l.site_id = c.site_id AND l.local_date = c.local_date
    WHERE c.samples >= 3
        AND c.site_id IN (SELECT site_id FROM measured WHERE samples < 3)
        AND c.local_date >= (SELECT min(local_date) - 31 FROM measured)
),
resolved AS (
    SELECT
        m.site_id,
        m.local_date,
        CASE
            WHEN m.samples >= 3 THEN m.interval_us
            WHEN k.local_date >= m.local_date - 31 THEN k.interval_us
            ELSE coalesce(m.interval_us, 0)
        END AS interval_us
    FROM measured m
    ASOF LEFT JOIN known k ON k.site_id = m.site_id AND k.local_date < m.local_date
)
SELECT
    l.site_id,
    l.local_date,
    l.ts,
    CASE
        WHEN l.ts = b.last_sample_ts THEN l.ts + to_microseconds(CAST(r.interval_us AS BIGINT))
        ELSE least(l.next_ts, l.ts + to_microseconds(CAST(3 * r.interval_us AS BIGINT)))
    END AS end_ts,
    l.next_ts,
    l.day_end,
    r.interval_us,
    l.pv_w,
    l.battery_w,
    l.house_w,
    l.grid_w,
    l.islanded,
    l.whole
FROM logged l
JOIN resolved r USING (site_id, local_date)
JOIN bucket_site b USING (site_id)
