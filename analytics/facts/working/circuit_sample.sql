-- circuit_sample: own power of a circuit in the power samples where it is on, or where its meter tells it
-- grain: circuit_id, ts
-- own_w [W]: mean of the meter samples that begin within the extent, else rated_w x the share of it spent on.
-- A sample that one run fills is taken as it is; only samples that runs fill in part are summed over runs.
CREATE OR REPLACE TEMP TABLE circuit_sample AS
WITH metered AS (
    SELECT m.circuit_id, s.site_id, s.ts, sum(CAST(round(m.circuit_w * 1e6) AS HUGEINT)) / count(*) / 1e6 AS own_w
    FROM meter_sample m
    ASOF JOIN sample s ON s.site_id = m.site_id AND s.ts <= m.ts
    WHERE m.ts < s.end_ts
    GROUP BY ALL
),
switched AS (
    SELECT circuit_id, site_id, ts, local_date, grid_w, epoch_us(end_ts - ts) AS cover_us, epoch_us(end_ts - ts) AS on_us
    FROM on_sample
    WHERE on_from = ts AND on_to = end_ts
    UNION ALL
    SELECT
        circuit_id,
        site_id,
        ts,
        local_date,
        any_value(grid_w),
        epoch_us(any_value(end_ts) - ts),
        sum(epoch_us(on_to - on_from))
    FROM on_sample
    WHERE on_from <> ts OR on_to <> end_ts
    GROUP BY circuit_id, site_id, ts, local_date
),
off_but_metered AS (
    SELECT m.circuit_id, m.site_id, m.ts, s.local_date, s.grid_w, epoch_us(s.end_ts - s.ts) AS cover_us, 0 AS on_us
    FROM metered m
    ANTI JOIN switched w ON w.circuit_id = m.circuit_id AND w.ts = m.ts
    JOIN sample s ON s.site_id = m.site_id AND s.ts = m.ts
),
known AS (
    SELECT * FROM switched
    UNION ALL
    SELECT * FROM off_but_metered
)
SELECT
    k.circuit_id,
    k.site_id,
    k.ts,
    k.local_date,
    k.grid_w,
    k.on_us,
    k.cover_us,
    m.own_w IS NOT NULL AS metered,
    coalesce(m.own_w, c.rated_w * k.on_us / nullif(k.cover_us, 0)) AS own_w
FROM known k
LEFT JOIN metered m ON m.circuit_id = k.circuit_id AND m.ts = k.ts
LEFT JOIN setting_day c ON c.circuit_id = k.circuit_id AND c.local_date = k.local_date
