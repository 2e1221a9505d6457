-- island_part: stretches of neighbouring islanded samples, cut to each wanted day
-- grain: site_id, start
-- since, until: the stretch as seen from the begin of the day before to the end of the day after; long: it has stood
-- since before that. sure_from, sure_to: the stretch without its
-- first and its last sample, of which only a part may have been islanded.
CREATE OR REPLACE TEMP TABLE island_part AS
WITH apart AS (SELECT site_id, ts, end_ts FROM sample WHERE islanded AND end_ts > ts),
within AS (
    SELECT w.site_id, w.local_date, w.start_ts, w.end_ts AS day_end, b.start_ts AS day_before, a.ts, a.end_ts
    FROM apart a
    JOIN wanted_day w USING (site_id)
    JOIN day b ON b.site_id = w.site_id AND b.local_date = w.local_date - 1
    JOIN day n ON n.site_id = w.site_id AND n.local_date = w.local_date + 1
    WHERE a.ts < n.end_ts AND a.end_ts > b.start_ts
),
joined AS (
    SELECT *, lag(end_ts) OVER (PARTITION BY site_id, local_date ORDER BY ts) IS DISTINCT FROM ts AS begins FROM within
),
grouped AS (
    SELECT *, count(*) FILTER (WHERE begins) OVER (PARTITION BY site_id, local_date ORDER BY ts) AS stretch FROM joined
),
whole AS (
    SELECT
        site_id,
        local_date,
        start_ts,
        day_end,
        day_before,
        greatest(min(ts), day_before) AS since,
        max(end_ts) AS until,
        count(*) AS samples,
        CASE WHEN min(ts) <= day_before THEN day_before ELSE min(end_ts) END AS sure_from,
        max(ts) AS sure_to
    FROM grouped
    GROUP BY site_id, local_date, start_ts, day_end, day_before, stretch
)
SELECT
    site_id,
    local_date,
    greatest(since, start_ts) AS start,
    least(until, day_end) AS "end",
    since,
    until,
    samples,
    since <= day_before AS long,
    greatest(sure_from, start_ts) AS sure_from,
    least(sure_to, day_end) AS sure_to
FROM whole
WHERE since < day_end AND until > start_ts
