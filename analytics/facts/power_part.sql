-- power_part: power of a site in each two hours of a local day, for charts of long ranges
-- grain: site_id, start
-- Parts are counted back from the day's end; a part without samples has no row. Means, least and greatest sample of
-- pv_w, house_w and of the surplus of the whole site: what would flow out were its switched circuits off, each
-- counted with its meter or its rated power, together with no more than the house draws [W]. rest_s [s], rest_w [W]:
-- time in samples that no run touches, and the mean of house_w over it. Rounded to 0.1 W, which packs well.
WITH own AS (
    SELECT site_id, ts, sum(CAST(round(own_w * 1e3) AS BIGINT)) / 1e3 AS own_w, max(on_us) > 0 AS any_on
    FROM circuit_sample
    GROUP BY ALL
),
whole AS (
    SELECT
        s.site_id,
        s.local_date,
        epoch_us(s.day_end - s.ts - INTERVAL 1 MICROSECOND) // 7200000000 AS part,
        s.ts,
        s.end_ts,
        s.pv_w,
        s.house_w,
        s.pv_w + s.battery_w - s.house_w + least(coalesce(o.own_w, 0), greatest(s.house_w, 0)) AS surplus_w,
        CASE WHEN o.any_on OR s.house_w IS NULL THEN 0 ELSE epoch_us(s.end_ts - s.ts) END AS rest_us
    FROM sample s
    LEFT JOIN own o ON o.site_id = s.site_id AND o.ts = s.ts
)
SELECT
    site_id,
    local_date,
    min(ts) AS start,
    max(end_ts) AS "end",
    count(*) AS samples,
    round(sum(CAST(round(pv_w * 1e3) AS BIGINT)) / count(pv_w) / 1e3, 1) AS pv_w,
    round(min(pv_w), 1) AS pv_min_w,
    round(max(pv_w), 1) AS pv_max_w,
    round(sum(CAST(round(house_w * 1e3) AS BIGINT)) / count(house_w) / 1e3, 1) AS house_w,
    round(min(house_w), 1) AS house_min_w,
    round(max(house_w), 1) AS house_max_w,
    round(sum(CAST(round(surplus_w * 1e3) AS BIGINT)) / count(surplus_w) / 1e3, 1) AS surplus_w,
    round(min(surplus_w), 1) AS surplus_min_w,
    round(max(surplus_w), 1) AS surplus_max_w,
    sum(rest_us) / 1e6 AS rest_s,
    round(sum(CAST(round(house_w * 1e3) AS BIGINT) * rest_us) / 1e3 / nullif(sum(rest_us), 0), 1) AS rest_w
FROM whole
GROUP BY site_id, local_date, part
HAVING (site_id, local_date) IN (SELECT (site_id, local_date) FROM wanted_day)
