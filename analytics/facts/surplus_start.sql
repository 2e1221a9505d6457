-- surplus_start: a run begun on surplus, and what became of the surplus
-- grain: circuit_id, start
-- *_w [W], own_wh, grid_wh [Wh]. d_clear_w and why come after, in analytics/clear_sky.py: here why is only
-- 'unknown' or 'none', or empty where a dip waits for its cause.
WITH begun AS (
    SELECT
        r.*,
        c.rated_w,
        coalesce(c.surplus_off_w, c.rated_w) AS off_level_w,
        least(r.until, r.start + to_microseconds(CAST(round(coalesce(c.min_run_s, 0) * 1e6) AS BIGINT))) AS hold_end
    FROM new_run r
    JOIN wanted_day w USING (site_id, local_date)
    LEFT JOIN setting_day c ON c.circuit_id = r.circuit_id AND c.local_date = r.local_date
    WHERE r.cause_on = 'surplus'
),
near_day AS (
    SELECT b.circuit_id, b.start, b.hold_end, b.off_level_w, l.site_id, l.local_date
    FROM begun b
    JOIN load_day l ON l.site_id = b.site_id
    JOIN day d ON d.site_id = l.site_id AND d.local_date = l.local_date
    WHERE d.start_ts < b.hold_end + INTERVAL 1 MICROSECOND AND d.end_ts > b.start - INTERVAL 6 HOUR
),
near AS (
    SELECT
        n.circuit_id,
        n.start,
        n.hold_end,
        n.off_level_w,
        s.ts,
        s.end_ts,
        s.pv_w,
        s.house_w - CASE WHEN c.ts IS NULL THEN 0 ELSE c.own_w END AS base_w,
        s.pv_w + s.battery_w - s.house_w + CASE WHEN c.ts IS NULL THEN 0 ELSE c.own_w END AS surplus_w
    FROM near_day n
    JOIN sample s
        ON s.site_id = n.site_id
        AND s.local_date = n.local_date
        AND s.ts < n.hold_end
        AND s.end_ts > n.start - INTERVAL 20 MINUTE - INTERVAL 1 MICROSECOND
    LEFT JOIN circuit_sample c ON c.circuit_id = n.circuit_id AND c.ts = s.ts
),
whole_before AS (
    SELECT
        *,
        ts >= start - INTERVAL 10 MINUTE AS within_10,
        row_number() OVER (PARTITION BY circuit_id, start ORDER BY ts DESC) AS nearness,
        bool_or(ts >= start - INTERVAL 10 MINUTE) OVER (PARTITION BY circuit_id, start) AS any_within
    FROM near
    WHERE end_ts <= start AND end_ts >= start - INTERVAL 20 MINUTE
),
before AS (
    SELECT
        circuit_id,
        start,
        sum(CAST(round(surplus_w * 1e6) AS HUGEINT)) / count(surplus_w) / 1e6 AS surplus_before_w,
        sum(CAST(round(pv_w * 1e6) AS HUGEINT)) / count(*) / 1e6 AS pv_before_w,
        sum(CAST(round(base_w * 1e6) AS HUGEINT)) / count(base_w) / 1e6 AS base_before_w,
        make_timestamp(CAST((epoch_us(min(ts)) + epoch_us(max(end_ts))) // 2 AS BIGINT)) AS before_ts
    FROM whole_before
    WHERE CASE WHEN any_within THEN within_10 ELSE nearness = 1 END
    GROUP BY ALL
),
in_hold AS (
    SELECT
        *,
        coalesce(surplus_w < off_level_w, false) AS low,
        coalesce(lag(end_ts) OVER in_order = ts AND lag(surplus_w < off_level_w) OVER in_order, false) AS goes_on
    FROM near
    WHERE ts >= start AND ts < hold_end
    WINDOW in_order AS (PARTITION BY circuit_id, start ORDER BY ts)
),
grouped AS (
    SELECT *, count(*) FILTER (WHERE NOT goes_on) OVER (PARTITION BY circuit_id, start ORDER BY ts) AS stretch
    FROM in_hold
    WHERE low
),
dips AS (
    SELECT
        circuit_id,
        start,
        min(ts) AS dip_ts,
        least(max(end_ts), any_value(hold_end)) AS dip_end_ts,
        sum(CAST(round(pv_w * 1e6) AS HUGEINT)) / count(*) / 1e6 AS pv_dip_w,
        sum(CAST(round(base_w * 1e6) AS HUGEINT)) / count(*) / 1e6 AS base_dip_w
    FROM grouped
    GROUP BY circuit_id, start, stretch
),
dip AS (
    SELECT * FROM dips
    WHERE dip_end_ts - dip_ts >= INTERVAL 2 MINUTE
    QUALIFY row_number() OVER (PARTITION BY circuit_id, start ORDER BY dip_ts) = 1
),
uncovered AS (
    SELECT b.circuit_id, b.start, sum(epoch_us(least(h.to_ts, b.hold_end) - greatest(h.from_ts, b.start))) AS hole_us
    FROM begun b
    JOIN hole h ON h.site_id = b.site_id AND h.from_ts < b.hold_end AND h.to_ts > b.start
    GROUP BY ALL
),
part AS (
    SELECT
        o.circuit_id,
        o.start,
        epoch_us(o.on_to - o.on_from) AS on_us,
        c.grid_w,
        c.cover_us,
        c.metered,
        CASE WHEN c.metered THEN c.own_w ELSE b.rated_w * epoch_us(o.on_to - o.on_from) / nullif(c.cover_us, 0) END AS own_w
    FROM on_sample o
    JOIN begun b ON b.circuit_id = o.circuit_id AND b.start = o.start
    JOIN circuit_sample c ON c.circuit_id = o.circuit_id AND c.ts = o.ts
),
meter_part AS (
    SELECT
        b.circuit_id,
        b.start,
        sum(epoch_us(least(m.end_ts, b.until) - greatest(m.ts, b.start))) AS metered_us,
        sum(CAST(round(m.circuit_w * epoch_us(least(m.end_ts, b.until) - greatest(m.ts, b.start))) AS HUGEINT)) AS meter_wus
    FROM begun b
    JOIN meter_sample m ON m.circuit_id = b.circuit_id AND m.ts < b.until AND m.end_ts > b.start
    GROUP BY ALL
),
energy AS (
    SELECT
        circuit_id,
        start,
        sum(on_us) AS covered_us,
        sum(CAST(round(least(own_w, greatest(0, grid_w)) * CASE WHEN metered THEN on_us ELSE cover_us END) AS HUGEINT)) AS grid_wus,
        bool_or(own_w IS NULL) AS unknown
    FROM part
    GROUP BY ALL
),
summed AS (
    SELECT
        b.*,
        (
            coalesce(m.meter_wus, 0)
            + coalesce(b.rated_w, CASE WHEN epoch_us(b.until - b.start) - coalesce(m.metered_us, 0) <= 1000 THEN 0 END)
            * (epoch_us(b.until - b.start) - coalesce(m.metered_us, 0))
        ) / 3.6e9 AS own_wh,
        CASE
            WHEN epoch_us(b.until - b.start) - coalesce(e.covered_us, 0) > 1000 OR e.unknown THEN NULL
            ELSE coalesce(e.grid_wus, 0) / 3.6e9
        END AS grid_wh
    FROM begun b
    LEFT JOIN energy e USING (circuit_id, start)
    LEFT JOIN meter_part m USING (circuit_id, start)
)
SELECT
    s.site_id,
    s.circuit_id,
    s.local_date,
    s.start,
    f.surplus_before_w,
    f.pv_before_w,
    f.base_before_w,
    f.before_ts,
    s.hold_end,
    s.own_wh,
    s.grid_wh,
    CASE WHEN s.own_wh > 0 THEN 1 - s.grid_wh / s.own_wh END AS solar_share,
    d.dip_ts,
    d.dip_end_ts,
    f.pv_before_w - d.pv_dip_w AS d_pv_w,
    d.base_dip_w - f.base_before_w AS d_base_w,
    CAST(NULL AS DOUBLE) AS d_clear_w,
    CASE
        WHEN f.before_ts IS NULL THEN 'unknown'
        WHEN d.dip_ts IS NULL AND coalesce(u.hole_us, 0) > 0.1 * epoch_us(s.hold_end - s.start) THEN 'unknown'
        WHEN d.dip_ts IS NULL THEN 'none'
    END AS why
FROM summed s
LEFT JOIN before f USING (circuit_id, start)
LEFT JOIN dip d USING (circuit_id, start)
LEFT JOIN uncovered u USING (circuit_id, start)
