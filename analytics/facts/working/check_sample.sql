-- check_sample: the samples around each change: of the site, or of the circuit's own meter where it has one
-- grain: circuit_id, event_ts, ts
-- home_ts, home_end: the sample in which the change falls. A sample is `joined` where no hole lies between it and
-- that one. side: -1 before, 0 home, 1 after. Days with samples over an hour apart are left out.
CREATE OR REPLACE TEMP TABLE check_sample AS
WITH metered AS (
    SELECT circuit_id, local_date, median(epoch_us(end_ts - ts)) AS interval_us FROM meter_sample GROUP BY ALL
),
site_interval AS (SELECT site_id, local_date, any_value(interval_us) AS interval_us FROM half_hour GROUP BY ALL),
paced AS (
    SELECT
        c.site_id,
        c.circuit_id,
        c.ts AS event_ts,
        m.circuit_id IS NOT NULL AS metered,
        c.closed,
        coalesce(m.interval_us, i.interval_us) AS interval_us
    FROM change c
    LEFT JOIN metered m ON m.circuit_id = c.circuit_id AND m.local_date = c.local_date
    LEFT JOIN site_interval i ON i.site_id = c.site_id AND i.local_date = c.local_date
    WHERE coalesce(c.own_before_ts < c.ts, true) AND coalesce(c.own_after_ts > c.ts, true)
),
asked AS (
    SELECT
        *,
        greatest(3, round(300e6 / interval_us)) AS most,
        event_ts - to_microseconds(CAST((greatest(3, round(300e6 / interval_us)) + 3) * interval_us AS BIGINT)) AS from_ts,
        event_ts + to_microseconds(
            CAST(
                greatest(
                    (greatest(3, round(300e6 / interval_us)) + 3) * interval_us,
                    CASE WHEN closed OR metered THEN 0 ELSE 1800e6 + 3 * interval_us END
                ) AS BIGINT
            )
        ) AS to_ts
    FROM paced
    WHERE interval_us > 0 AND interval_us <= 3600e6
),
spread AS (
    SELECT *, unnest(generate_series(time_bucket(INTERVAL 30 MINUTE, from_ts), to_ts, INTERVAL 30 MINUTE)) AS half_ts
    FROM asked
    WHERE NOT metered
),
near AS (
    SELECT a.circuit_id, a.event_ts, a.metered, a.interval_us, a.most, s.ts, s.end_ts, s.house_w AS watts
    FROM spread a
    JOIN sample s ON s.site_id = a.site_id AND time_bucket(INTERVAL 30 MINUTE, s.ts) = a.half_ts
    WHERE s.ts >= a.from_ts AND s.ts < a.to_ts AND s.house_w IS NOT NULL AND s.end_ts > s.ts
    UNION ALL
    SELECT a.circuit_id, a.event_ts, a.metered, a.interval_us, a.most, m.ts, m.end_ts, m.circuit_w
    FROM asked a
    JOIN meter_sample m ON m.circuit_id = a.circuit_id
    WHERE a.metered AND m.ts >= a.from_ts AND m.ts < a.to_ts AND m.circuit_w IS NOT NULL AND m.end_ts > m.ts
),
followed AS (
    SELECT
        *,
        lead(ts) OVER in_order IS DISTINCT FROM end_ts AS breaks,
        max(CASE WHEN ts <= event_ts AND event_ts < end_ts THEN ts END) OVER whole AS home_ts,
        max(CASE WHEN ts <= event_ts AND event_ts < end_ts THEN end_ts END) OVER whole AS home_end
    FROM near
    WINDOW
        in_order AS (PARTITION BY circuit_id, event_ts ORDER BY ts),
        whole AS (PARTITION BY circuit_id, event_ts)
),
placed AS (
    SELECT
        *,
        max(CASE WHEN breaks AND ts < home_ts THEN ts END) OVER whole AS broken_before,
        min(CASE WHEN breaks AND ts >= home_ts THEN ts END) OVER whole AS broken_after
    FROM followed
    WHERE home_ts IS NOT NULL
    WINDOW whole AS (PARTITION BY circuit_id, event_ts)
)
SELECT
    circuit_id,
    event_ts,
    metered,
    interval_us,
    most,
    home_ts,
    home_end,
    ts,
    end_ts,
    watts,
    CASE WHEN ts < home_ts THEN -1 WHEN ts > home_ts THEN 1 ELSE 0 END AS side,
    coalesce(ts > broken_before, true) AND coalesce(ts <= broken_after, true) AS joined
FROM placed
