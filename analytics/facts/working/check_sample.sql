-- check_sample: the samples around each change: of the site, or of the circuit's own meter where it has one
-- grain: check_id, ts
-- home_ts, home_end: the sample in which the change falls. side: -1 before it, 0 itself, 1 after it. joined: no hole
-- lies between the sample and that one. 5 min (at least 3 samples) either side, after an opening as
-- long as stay_on looks at it: watch, 30 min, or an hour where samples are over 1.5 min apart. Days with samples
-- over an hour apart are left out.
CREATE OR REPLACE TEMP TABLE check_sample AS
WITH metered AS (
    SELECT circuit_id, local_date, median(epoch_us(end_ts - ts)) AS interval_us FROM meter_sample GROUP BY ALL
),
site_interval AS (SELECT site_id, local_date, any_value(interval_us) AS interval_us FROM half_hour GROUP BY ALL),
paced AS (
    SELECT
        c.check_id,
        c.site_id,
        c.circuit_id,
        c.ts AS event_ts,
        m.circuit_id IS NOT NULL AS metered,
        c.closed,
        CAST(coalesce(m.interval_us, i.interval_us) AS BIGINT) AS interval_us
    FROM change c
    LEFT JOIN metered m ON m.circuit_id = c.circuit_id AND m.local_date = c.local_date
    LEFT JOIN site_interval i ON i.site_id = c.site_id AND i.local_date = c.local_date
    WHERE coalesce(c.own_before_ts < c.ts, true) AND coalesce(c.own_after_ts > c.ts, true)
),
asked AS (
    SELECT
        *,
        to_microseconds(CASE WHEN interval_us <= 90000000 THEN 1800000000 ELSE 3600000000 END) AS watch,
        event_ts - to_microseconds(greatest(300000000, 3 * interval_us) + 2 * interval_us) AS from_ts,
        event_ts + to_microseconds(
            CASE WHEN closed OR metered THEN greatest(300000000, 3 * interval_us) ELSE greatest(CASE WHEN interval_us <= 90000000 THEN 1800000000 ELSE 3600000000 END, 3 * interval_us) END
            + 2 * interval_us
        ) AS to_ts
    FROM paced
    WHERE interval_us > 0 AND interval_us <= 3600000000
),
spread AS (
    SELECT *, unnest(range(epoch_us(from_ts) // 1800000000, epoch_us(to_ts) // 1800000000 + 1)) AS half
    FROM asked
    WHERE NOT metered
),
near AS (
    SELECT a.check_id, a.event_ts, a.metered, a.interval_us, a.watch, s.ts, s.end_ts, s.house_w AS watts, s.next_ts
    FROM spread a
    JOIN sample s ON s.site_id = a.site_id AND epoch_us(s.ts) // 1800000000 = a.half
    WHERE s.ts >= a.from_ts AND s.ts < a.to_ts
    UNION ALL
    SELECT
        a.check_id,
        a.event_ts,
        a.metered,
        a.interval_us,
        a.watch,
        m.ts,
        m.end_ts,
        m.circuit_w,
        lead(m.ts) OVER (PARTITION BY a.check_id ORDER BY m.ts)
    FROM asked a
    JOIN meter_sample m ON m.circuit_id = a.circuit_id
    WHERE a.metered AND m.ts >= a.from_ts AND m.ts < a.to_ts
),
home AS (
    SELECT check_id, ts AS home_ts, end_ts AS home_end FROM near WHERE ts <= event_ts AND event_ts < end_ts
),
broken AS (
    SELECT
        h.check_id,
        max(n.ts) FILTER (WHERE n.ts < h.home_ts) AS broken_before,
        min(n.ts) FILTER (WHERE n.ts >= h.home_ts) AS broken_after
    FROM home h
    JOIN near n ON n.check_id = h.check_id
    WHERE n.watts IS NULL OR n.next_ts IS DISTINCT FROM n.end_ts
    GROUP BY ALL
)
SELECT
    n.check_id,
    n.metered,
    n.interval_us,
    n.watch,
    h.home_ts,
    h.home_end,
    n.ts,
    n.end_ts,
    n.watts,
    CASE WHEN n.ts < h.home_ts THEN -1 WHEN n.ts > h.home_ts THEN 1 ELSE 0 END AS side,
    coalesce(n.ts > b.broken_before, true) AND coalesce(n.ts <= b.broken_after, true) AS joined
FROM near n
JOIN home h ON h.check_id = n.check_id
LEFT JOIN broken b ON b.check_id = n.check_id
WHERE n.watts IS NOT NULL AND n.end_ts > n.ts
