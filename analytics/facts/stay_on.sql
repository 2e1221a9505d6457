-- stay_on: openings after which the load may have stayed on
-- grain: circuit_id, ts, kind
-- kind 'house', ts the opening: of a run begun that day or the day before, whose closing stood out, the house then
-- stayed up by at least half of that step for 30 min, or an hour where samples are over 1.5 min apart, since there
-- another load is more easily taken for this one. rise_w [W]: the least house power of that time, less
-- the rated power of every other circuit that was on in them, less the level before the closing. floor_w: the
-- least house power within the run, less that level; a load that its own thermostat had switched off before is told
-- by it. kind 'meter', ts the begin within the day: stretches of 2 samples and 5 min or more, wholly off and after the
-- circuit's first event, with at least 20 % of rated_w on the meter; rise_w is their least power. They are sure
-- (stays_on) where they go on from an opening, or where the controller has logged something since, by the end of
-- the next day: else rows of the switch log may be yet to come. expected_w and verdict of kind 'house' come after, in
-- analytics/load_checks.py.
WITH opening AS (
    SELECT c.check_id, c.site_id, c.circuit_id, c.local_date, c.ts, c.own_after_ts, r.start AS closing_ts, r.local_date AS closing_date
    FROM change c
    JOIN new_run r ON r.circuit_id = c.circuit_id AND r."end" = c.ts
    WHERE NOT c.closed
        AND r.local_date >= c.local_date - 1
        AND r.start < c.ts
        AND coalesce(c.own_after_ts > c.ts, true)
),
after AS (
    SELECT
        o.*,
        min(s.watts) AS low_w,
        any_value(s.home_ts) AS home_ts,
        any_value(s.home_end) AS home_end,
        max(s.end_ts) AS seen_to,
        any_value(s.watch) AS watch
    FROM opening o
    JOIN check_sample s ON s.check_id = o.check_id
    WHERE NOT s.metered
        AND s.joined
        AND s.side = 1
        AND s.ts < s.home_end + s.watch
        AND coalesce(o.own_after_ts >= s.home_end + s.watch, true)
    GROUP BY ALL
    HAVING max(s.end_ts) >= any_value(s.home_end + s.watch)
),
up AS (
    SELECT a.*, k.before_w, k.step_w
    FROM after a
    JOIN switch_check k ON k.circuit_id = a.circuit_id AND k.ts = a.closing_ts AND k.local_date = a.closing_date
    WHERE NOT k.metered AND k.closed AND k.step_w > 0 AND a.low_w - k.before_w >= 0.5 * k.step_w
),
beside AS (
    SELECT circuit_id, ts, sum(rated_w) AS others_w, bool_or(rated_w IS NULL) AS unknown
    FROM (
        SELECT DISTINCT u.circuit_id, u.ts, r.circuit_id AS other, d.rated_w
        FROM up u
        JOIN new_run r
            ON r.site_id = u.site_id
            AND r.circuit_id <> u.circuit_id
            AND r.start < u.seen_to
            AND r.until > u.home_ts
        LEFT JOIN setting_day d ON d.circuit_id = r.circuit_id AND d.local_date = u.local_date
    )
    GROUP BY ALL
),
stayed AS (
    SELECT u.*, u.low_w - coalesce(b.others_w, 0) - u.before_w AS rise_w
    FROM up u
    LEFT JOIN beside b ON b.circuit_id = u.circuit_id AND b.ts = u.ts
    WHERE NOT coalesce(b.unknown, false) AND u.low_w - coalesce(b.others_w, 0) - u.before_w >= 0.5 * u.step_w
),
lowest AS (
    SELECT y.circuit_id, y.ts, min(s.house_w) - any_value(y.before_w) AS floor_w
    FROM stayed y
    JOIN sample s ON s.site_id = y.site_id AND s.local_date >= y.closing_date - 1 AND s.local_date <= y.local_date
    WHERE s.ts >= y.closing_ts AND s.end_ts <= y.home_ts
    GROUP BY ALL
),
known_from AS (
    SELECT circuit_id, min(ts) AS ts
    FROM (
        SELECT circuit_id, ts FROM event
        UNION ALL
        SELECT circuit_id, event_ts FROM state_before WHERE event_ts IS NOT NULL
    )
    GROUP BY ALL
),
idle AS (
    SELECT
        m.site_id,
        m.circuit_id,
        m.local_date,
        m.ts,
        m.end_ts,
        m.circuit_w,
        m.circuit_w >= 0.2 * d.rated_w AND d.rated_w > 0 AS draws
    FROM meter_sample m
    SEMI JOIN wanted_day w ON w.site_id = m.site_id AND w.local_date = m.local_date
    JOIN setting_day d ON d.circuit_id = m.circuit_id AND d.local_date = m.local_date
    ANTI JOIN new_run r ON r.circuit_id = m.circuit_id AND r.start < m.end_ts AND r.until > m.ts
    JOIN known_from k ON k.circuit_id = m.circuit_id AND m.ts >= k.ts
    WHERE m.end_ts > m.ts
),
split AS (
    SELECT *, lag(end_ts) OVER (PARTITION BY circuit_id, local_date ORDER BY ts) IS DISTINCT FROM ts AS begins
    FROM idle
    WHERE draws
),
grouped AS (
    SELECT *, count(*) FILTER (WHERE begins) OVER (PARTITION BY circuit_id, local_date ORDER BY ts) AS stretch FROM split
)
SELECT
    y.site_id,
    y.circuit_id,
    y.local_date,
    'house' AS kind,
    y.ts,
    y.closing_ts,
    y.rise_w,
    l.floor_w,
    epoch_us(y.watch) / 60e6 AS minutes,
    CAST(NULL AS DOUBLE) AS expected_w,
    CAST(NULL AS VARCHAR) AS verdict
FROM stayed y
LEFT JOIN lowest l USING (circuit_id, ts)
UNION ALL
SELECT
    t.site_id,
    t.circuit_id,
    t.local_date,
    'meter',
    t.ts,
    NULL,
    t.low_w,
    NULL,
    epoch_us(t.end_ts - t.ts) / 60e6,
    t.rated_w,
    CASE
        WHEN EXISTS (
            SELECT 1
            FROM event e
            WHERE e.circuit_id = t.circuit_id
                AND NOT e.closed
                AND NOT e.repeats
                AND e.ts <= t.ts
                AND e.ts > t.ts - 2 * t.sample
        )
            OR EXISTS (
                SELECT 1
                FROM event e
                JOIN setting_day d ON d.circuit_id = e.circuit_id AND d.local_date = e.local_date
                WHERE d.controller_id = t.controller_id
                    AND e.ts > t.ts + INTERVAL 5 MINUTE
                    AND e.local_date <= t.local_date + 1
            )
        THEN 'stays_on'
        ELSE 'unclear'
    END
FROM (
    SELECT
        g.site_id,
        g.circuit_id,
        g.local_date,
        any_value(d.controller_id) AS controller_id,
        any_value(d.rated_w) AS rated_w,
        min(g.ts) AS ts,
        max(g.end_ts) AS end_ts,
        max(g.end_ts - g.ts) AS sample,
        min(g.circuit_w) AS low_w
    FROM grouped g
    JOIN setting_day d ON d.circuit_id = g.circuit_id AND d.local_date = g.local_date
    GROUP BY g.site_id, g.circuit_id, g.local_date, g.stretch
    HAVING count(*) >= 2 AND max(g.end_ts) - min(g.ts) >= INTERVAL 5 MINUTE
) t
