-- lockout_result: what ran in a lockout window, and what it cost
-- grain: circuit_id, window_id, local_date of the window's start
-- on_s, hand_s [s], own_wh [Wh], cost, excess_cost [currency of the site's tariff]
-- Energy is the meter's; on-time that it does not cover, or all of it without a meter, counts at rated_w.
WITH barred AS (SELECT * FROM wall_window WHERE kind = 'lockout'),
stretch AS (
    SELECT
        a.site_id,
        a.circuit_id,
        a.window_id,
        a.local_date,
        greatest(r.start, a.start_ts) AS from_ts,
        least(r.until, a.end_ts) AS to_ts,
        coalesce(r.cause_on = 'hand', false) AS by_hand
    FROM barred a
    JOIN new_run r ON r.circuit_id = a.circuit_id AND r.start < a.end_ts AND r.until > a.start_ts
    WHERE r.until > r.start
),
ran AS (
    SELECT
        circuit_id,
        window_id,
        local_date,
        sum(CASE WHEN by_hand THEN 0 ELSE epoch_us(to_ts - from_ts) END) / 1e6 AS on_s,
        sum(CASE WHEN by_hand THEN epoch_us(to_ts - from_ts) ELSE 0 END) / 1e6 AS hand_s
    FROM stretch
    GROUP BY ALL
),
metered_circuit AS (SELECT DISTINCT circuit_id, local_date FROM meter_sample),
metered AS (
    SELECT
        a.site_id,
        a.circuit_id,
        a.window_id,
        a.local_date,
        greatest(m.ts, a.start_ts) AS from_ts,
        least(m.end_ts, a.end_ts) AS to_ts,
        m.circuit_w
    FROM barred a
    SEMI JOIN metered_circuit k ON k.circuit_id = a.circuit_id AND k.local_date = a.local_date
    JOIN meter_sample m ON m.circuit_id = a.circuit_id AND m.ts < a.end_ts AND m.end_ts > a.start_ts
),
edge AS (
    -- within each stretch on: where the meter covers it, and the stretch's end
    SELECT s.*, greatest(m.from_ts, s.from_ts) AS covered_from, least(m.to_ts, s.to_ts) AS covered_to
    FROM stretch s
    JOIN metered m USING (circuit_id, window_id, local_date)
    WHERE m.from_ts < s.to_ts AND m.to_ts > s.from_ts
    UNION ALL
    SELECT *, to_ts, to_ts FROM stretch
),
uncovered AS (
    SELECT
        site_id,
        circuit_id,
        window_id,
        local_date,
        coalesce(lag(covered_to) OVER (PARTITION BY circuit_id, window_id, local_date, from_ts ORDER BY covered_from, covered_to), from_ts)
            AS from_ts,
        covered_from AS to_ts
    FROM edge
),
energy AS (
    SELECT site_id, circuit_id, window_id, local_date, from_ts, to_ts, circuit_w AS own_w FROM metered
    UNION ALL
    SELECT u.site_id, u.circuit_id, u.window_id, u.local_date, u.from_ts, u.to_ts, c.rated_w
    FROM uncovered u
    LEFT JOIN setting_day c ON c.circuit_id = u.circuit_id AND c.local_date = u.local_date
    WHERE u.to_ts > u.from_ts
    QUALIFY c.rated_w IS NOT NULL
        OR sum(epoch_us(u.to_ts - u.from_ts)) OVER (PARTITION BY u.circuit_id, u.window_id, u.local_date) > 1000
),
used AS (
    SELECT
        circuit_id,
        window_id,
        local_date,
        sum(CAST(round(own_w * epoch_us(to_ts - from_ts)) AS HUGEINT)) AS own_wus,
        bool_or(own_w IS NULL) AS unknown
    FROM energy
    GROUP BY ALL
),
priced AS (
    SELECT
        e.circuit_id,
        e.window_id,
        e.local_date,
        sum(CAST(round(e.own_w * epoch_us(least(e.to_ts, p.end_ts) - greatest(e.from_ts, p.start_ts)) * p.import_per_kwh) AS HUGEINT))
            AS cost_wus,
        sum(epoch_us(least(e.to_ts, p.end_ts) - greatest(e.from_ts, p.start_ts))) AS priced_us
    FROM energy e
    JOIN price_span p ON p.site_id = e.site_id AND p.start_ts < e.to_ts AND p.end_ts > e.from_ts
    WHERE e.own_w <> 0
    GROUP BY ALL
),
spent AS (
    SELECT circuit_id, window_id, local_date, sum(epoch_us(to_ts - from_ts)) AS spent_us
    FROM energy
    WHERE own_w <> 0
    GROUP BY ALL
),
cheapest AS (
    SELECT d.site_id, d.local_date, min(p.import_per_kwh) AS price
    FROM wanted_day d
    JOIN price_span p ON p.site_id = d.site_id AND p.start_ts < d.end_ts AND p.end_ts > d.start_ts
    GROUP BY ALL
),
summed AS (
    SELECT
        a.*,
        coalesce(r.on_s, 0) AS on_s,
        coalesce(r.hand_s, 0) AS hand_s,
        CASE WHEN u.unknown THEN NULL ELSE coalesce(u.own_wus, 0) / 3.6e9 END AS own_wh,
        CASE
            WHEN u.unknown OR coalesce(x.spent_us, 0) - coalesce(p.priced_us, 0) > 1000 THEN NULL
            ELSE coalesce(p.cost_wus, 0) / 3.6e12
        END AS cost,
        c.price AS cheapest
    FROM barred a
    LEFT JOIN ran r USING (circuit_id, window_id, local_date)
    LEFT JOIN used u USING (circuit_id, window_id, local_date)
    LEFT JOIN priced p USING (circuit_id, window_id, local_date)
    LEFT JOIN spent x USING (circuit_id, window_id, local_date)
    LEFT JOIN cheapest c ON c.site_id = a.site_id AND c.local_date = a.local_date
)
SELECT
    site_id,
    circuit_id,
    window_id,
    local_date,
    start_ts,
    end_ts,
    on_s,
    hand_s,
    own_wh,
    cost,
    cost - own_wh / 1000 * coalesce(cheapest, CASE WHEN own_wh = 0 THEN 0 END) AS excess_cost
FROM summed
