-- switch_check: what the power did as a circuit closed or opened
-- grain: circuit_id, ts
-- before_w, after_w, step_w, noise_w [W]: medians over 5 min (at least 3 samples) either side, without the sample
-- in which the event falls; only whole samples that no other change touches, and no hole parts from it. A row
-- needs 3 of them, and 3 min (less a tenth), on either side. expected_w, learned and verdict come after, in
-- analytics/load_checks.py, since they take the 28 days before.
WITH clean AS (
    SELECT
        c.site_id,
        c.circuit_id,
        c.local_date,
        c.closed,
        s.event_ts,
        s.metered,
        s.interval_us,
        s.most,
        s.side,
        s.watts,
        epoch_us(s.end_ts - s.ts) AS cover_us,
        row_number() OVER (PARTITION BY s.circuit_id, s.event_ts, s.side ORDER BY abs(epoch_us(s.ts - s.home_ts))) AS nearness
    FROM check_sample s
    JOIN change c ON c.circuit_id = s.circuit_id AND c.ts = s.event_ts
    WHERE s.joined
        AND s.side <> 0
        AND coalesce(CASE WHEN s.metered THEN c.own_before_ts ELSE c.before_ts END < least(s.ts, s.home_ts), true)
        AND coalesce(CASE WHEN s.metered THEN c.own_after_ts ELSE c.after_ts END >= greatest(s.end_ts, s.home_end), true)
),
kept AS (
    SELECT
        *,
        median(watts) OVER (PARTITION BY circuit_id, event_ts, side) AS level_w
    FROM clean
    WHERE nearness <= most
),
measured AS (
    SELECT
        site_id,
        circuit_id,
        local_date,
        event_ts AS ts,
        closed,
        metered,
        interval_us / 1e6 AS interval_s,
        any_value(level_w) FILTER (WHERE side = -1) AS before_w,
        any_value(level_w) FILTER (WHERE side = 1) AS after_w,
        1.4826 * median(abs(watts - level_w)) AS noise_w
    FROM kept
    GROUP BY ALL
    HAVING count(*) FILTER (WHERE side = -1) >= 3
        AND count(*) FILTER (WHERE side = 1) >= 3
        AND coalesce(sum(cover_us) FILTER (WHERE side = -1), 0) >= 162e6
        AND coalesce(sum(cover_us) FILTER (WHERE side = 1), 0) >= 162e6
)
SELECT
    *,
    after_w - before_w AS step_w,
    CAST(NULL AS DOUBLE) AS expected_w,
    CAST(NULL AS BOOLEAN) AS learned,
    CAST(NULL AS VARCHAR) AS verdict
FROM measured
