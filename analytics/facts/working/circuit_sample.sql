-- circuit_sample: own power of a circuit in the power samples where it is on, or where its meter tells it
-- grain: circuit_id, ts
-- own_w [W]: mean of the meter samples that begin within the extent, else rated_w x the share of it spent on.
-- A sample that one run fills is taken as it is; only samples that runs fill in part are summed over runs. Circuits
-- without a meter, which are nearly all, are kept out of the joins.
CREATE OR REPLACE TEMP TABLE circuit_sample AS
WITH switched AS (
    SELECT
        circuit_id,
        site_id,
        ts,
        local_date,
        grid_w,
        rated_w,
        has_meter,
        epoch_us(end_ts - ts) AS cover_us,
        epoch_us(end_ts - ts) AS on_us
    FROM on_sample
    WHERE on_from = ts AND on_to = end_ts
    UNION ALL
    SELECT
        circuit_id,
        site_id,
        ts,
        local_date,
        any_value(grid_w),
        any_value(rated_w),
        has_meter,
        epoch_us(any_value(end_ts) - ts),
        sum(epoch_us(on_to - on_from))
    FROM on_sample
    WHERE on_from <> ts OR on_to <> end_ts
    GROUP BY circuit_id, site_id, ts, local_date, has_meter
),
metered AS (
    SELECT m.circuit_id, s.site_id, s.ts, sum(CAST(round(m.circuit_w * 1e6) AS HUGEINT)) / count(*) / 1e6 AS own_w
    FROM meter_sample m
    ASOF JOIN sample s ON s.site_id = m.site_id AND s.ts <= m.ts
    WHERE m.ts < s.end_ts
    GROUP BY ALL
),
switched_with_meter AS (
    SELECT w.*, m.own_w FROM switched w LEFT JOIN metered m ON m.circuit_id = w.circuit_id AND m.ts = w.ts WHERE w.has_meter
),
off_but_metered AS (
    SELECT m.circuit_id, m.site_id, m.ts, s.local_date, s.grid_w, epoch_us(s.end_ts - s.ts) AS cover_us, m.own_w
    FROM metered m
    ANTI JOIN switched_with_meter w ON w.circuit_id = m.circuit_id AND w.ts = m.ts
    JOIN sample s ON s.site_id = m.site_id AND s.ts = m.ts
)
SELECT
    circuit_id,
    site_id,
    ts,
    local_date,
    grid_w,
    on_us,
    cover_us,
    false AS metered,
    rated_w * on_us / nullif(cover_us, 0) AS own_w
FROM switched
WHERE NOT has_meter
UNION ALL
SELECT
    circuit_id,
    site_id,
    ts,
    local_date,
    grid_w,
    on_us,
    cover_us,
    own_w IS NOT NULL,
    coalesce(own_w, rated_w * on_us / nullif(cover_us, 0))
FROM switched_with_meter
UNION ALL
SELECT circuit_id, site_id, ts, local_date, grid_w, 0, cover_us, true, own_w FROM off_but_metered
