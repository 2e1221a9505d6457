-- solar_clock: where the middle of a day's generation lies against the sun
-- grain: site_id, local_date
-- offset_s [s]: centre of mass of generation less that of clear-sky irradiance at the site, by half hours; + = late. An
-- array that looks west adds up to two hours, the same each day, so a clock that is wrong shows as a jump. quality:
-- 2 x greatest half hour / the sum of all rises and falls; 1 on a day of one smooth hump, near 0 under broken
-- sky. Only days whose every half hour with 50 W/m2 or more has a sample; the sun decides which hours count.
WITH lit AS (
    SELECT w.site_id, w.local_date, w.start_ts, k.half_ts, k.ghi_wm2, h.pv_w
    FROM wanted_day w
    JOIN sky k ON k.site_id = w.site_id AND k.half_ts >= w.start_ts AND k.half_ts < w.end_ts
    LEFT JOIN half_hour h ON h.site_id = w.site_id AND h.local_date = w.local_date AND h.half_ts = k.half_ts
    WHERE k.ghi_wm2 > 0
),
stepped AS (
    SELECT
        *,
        epoch_us(half_ts - start_ts) / 1000000 AS at_s,
        abs(coalesce(pv_w, 0) - coalesce(lag(pv_w) OVER in_day, 0)) AS moved_w,
        lead(half_ts) OVER in_day IS NULL AS ends
    FROM lit
    WINDOW in_day AS (PARTITION BY site_id, local_date ORDER BY half_ts)
),
summed AS (
    SELECT
        site_id,
        local_date,
        sum(CAST(round(pv_w * at_s * 1e3) AS HUGEINT)) / nullif(sum(CAST(round(pv_w * 1e3) AS HUGEINT)), 0)
        - sum(CAST(round(ghi_wm2 * at_s * 1e3) AS HUGEINT)) / sum(CAST(round(ghi_wm2 * 1e3) AS HUGEINT)) AS offset_s,
        2 * max(pv_w) * 1e3 / nullif(
            sum(CAST(round((moved_w + CASE WHEN ends THEN coalesce(pv_w, 0) ELSE 0 END) * 1e3) AS HUGEINT)), 0
        ) AS quality,
        max(pv_w) AS peak_w,
        bool_or(pv_w IS NULL AND ghi_wm2 >= 50) AS lacking
    FROM stepped
    GROUP BY ALL
)
SELECT site_id, local_date, round(offset_s, 3) AS offset_s, round(quality, 6) AS quality
FROM summed
WHERE NOT lacking AND peak_w > 0
