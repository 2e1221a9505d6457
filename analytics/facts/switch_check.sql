-- switch_check: what the power did as a circuit closed or opened
-- grain: circuit_id, ts
-- before_w, after_w, step_w, noise_w [W]: medians over 5 min (at least 3 samples) either side, without the sample
-- in which the event falls; only whole samples that no other change touches, and no hole parts from it. A row
-- needs 3 of them, and 3 min (less a tenth), on either side. swing_w [W]: how far the sample of the event lies
-- outside these two levels, 0 between them; side_swing_w: how far the farthest of the samples beside it does; jump_w:
-- the first of these after it less the last before.
-- expected_w, learned and verdict come after, in analytics/load_checks.py, since they take the 28 days before.
WITH clean AS (
    SELECT s.check_id, s.metered, s.interval_us, s.side, s.ts, s.watts, epoch_us(s.end_ts - s.ts) AS cover_us
    FROM check_sample s
    JOIN change c ON c.check_id = s.check_id
    WHERE s.joined
        AND s.side <> 0
        AND s.ts >= s.home_ts - to_microseconds(greatest(300000000, 3 * s.interval_us) + s.interval_us // 2)
        AND s.end_ts <= s.home_end + to_microseconds(greatest(300000000, 3 * s.interval_us) + s.interval_us // 2)
        AND coalesce(CASE WHEN s.metered THEN c.own_before_ts ELSE c.before_ts END < least(s.ts, s.home_ts), true)
        AND coalesce(CASE WHEN s.metered THEN c.own_after_ts ELSE c.after_ts END >= greatest(s.end_ts, s.home_end), true)
),
level AS (
    SELECT check_id, side, median(watts) AS level_w
    FROM clean
    GROUP BY ALL
    HAVING count(*) >= 3 AND sum(cover_us) >= 162e6
),
measured AS (
    SELECT
        c.check_id,
        any_value(c.metered) AS metered,
        any_value(c.interval_us) / 1e6 AS interval_s,
        any_value(l.level_w) FILTER (WHERE c.side = -1) AS before_w,
        any_value(l.level_w) FILTER (WHERE c.side = 1) AS after_w,
        1.4826 * median(abs(c.watts - l.level_w)) AS noise_w,
        max(c.watts) AS high_w,
        min(c.watts) AS low_w,
        min_by(c.watts, c.ts) FILTER (WHERE c.side = 1) - max_by(c.watts, c.ts) FILTER (WHERE c.side = -1) AS jump_w
    FROM clean c
    JOIN level l ON l.check_id = c.check_id AND l.side = c.side
    GROUP BY c.check_id
)
SELECT
    c.site_id,
    c.circuit_id,
    c.local_date,
    c.ts,
    c.closed,
    m.metered,
    m.interval_s,
    m.before_w,
    m.after_w,
    m.after_w - m.before_w AS step_w,
    m.noise_w,
    greatest(0, s.watts - greatest(m.before_w, m.after_w), least(m.before_w, m.after_w) - s.watts) AS swing_w,
    greatest(m.high_w - greatest(m.before_w, m.after_w), least(m.before_w, m.after_w) - m.low_w) AS side_swing_w,
    m.jump_w,
    CAST(NULL AS DOUBLE) AS expected_w,
    CAST(NULL AS BOOLEAN) AS learned,
    CAST(NULL AS VARCHAR) AS verdict
FROM measured m
JOIN change c ON c.check_id = m.check_id
JOIN check_sample s ON s.check_id = m.check_id AND s.side = 0
WHERE m.before_w IS NOT NULL AND m.after_w IS NOT NULL
