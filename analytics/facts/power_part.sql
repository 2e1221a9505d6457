-- power_part: power of a site in each two hours of a local day, for charts of long ranges
-- grain: site_id, start
-- Parts are counted from the day's begin; a part without samples has no row. Means, least and greatest sample of
-- pv_w, house_w and of the surplus of the whole site: what would flow out were its switched circuits off, each
-- counted with its meter or its rated power, together with no more than the house draws [W]. Rounded to 0.1 W, which packs well.
WITH own AS (
    SELECT site_id, ts, sum(CAST(round(own_w * 1e6) AS HUGEINT)) / 1e6 AS own_w FROM circuit_sample GROUP BY ALL
),
whole AS (
    SELECT
        s.site_id,
        s.local_date,
        epoch_us(s.ts - w.start_ts) // 7200000000 AS part,
        s.ts,
        s.end_ts,
        s.pv_w,
        s.house_w,
        s.pv_w + s.battery_w - s.house_w + least(coalesce(o.own_w, 0), greatest(s.house_w, 0)) AS surplus_w
    FROM sample s
    JOIN wanted_day w ON w.site_id = s.site_id AND w.local_date = s.local_date
    LEFT JOIN own o ON o.site_id = s.site_id AND o.ts = s.ts
)
SELECT
    site_id,
    local_date,
    min(ts) AS start,
    max(end_ts) AS "end",
    count(*) AS samples,
    round(sum(CAST(round(pv_w * 1e6) AS HUGEINT)) / count(pv_w) / 1e6, 1) AS pv_w,
    round(min(pv_w), 1) AS pv_min_w,
    round(max(pv_w), 1) AS pv_max_w,
    round(sum(CAST(round(house_w * 1e6) AS HUGEINT)) / count(house_w) / 1e6, 1) AS house_w,
    round(min(house_w), 1) AS house_min_w,
    round(max(house_w), 1) AS house_max_w,
    round(sum(CAST(round(surplus_w * 1e6) AS HUGEINT)) / count(surplus_w) / 1e6, 1) AS surplus_w,
    round(min(surplus_w), 1) AS surplus_min_w,
    round(max(surplus_w), 1) AS surplus_max_w
FROM whole
GROUP BY site_id, local_date, part
