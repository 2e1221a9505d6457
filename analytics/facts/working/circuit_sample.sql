-- circuit_sample: own power of a circuit in the power samples where it is on, or where its meter tells it
-- grain: circuit_id, ts
-- own_w [W]: mean of the meter samples that begin within the extent, else rated_w x the share of it spent on.
CREATE OR REPLACE TEMP TABLE circuit_sample AS
WITH metered AS (
    SELECT m.circuit_id, s.site_id, s.ts, sum(CAST(round(m.circuit_w * 1e6) AS HUGEINT)) / count(*) / 1e6 AS own_w
    FROM meter_sample m
    ASOF JOIN sample s ON s.site_id = m.site_id AND s.ts <= m.ts
    WHERE m.ts < s.end_ts
    GROUP BY ALL
),
switched AS (
    SELECT circuit_id, site_id, ts, sum(epoch_us(on_to - on_from)) AS on_us FROM on_sample GROUP BY ALL
),
known AS (
    SELECT
        coalesce(w.circuit_id, m.circuit_id) AS circuit_id,
        coalesce(w.site_id, m.site_id) AS site_id,
        coalesce(w.ts, m.ts) AS ts,
        m.own_w AS meter_w,
        coalesce(w.on_us, 0) AS on_us
    FROM switched w
    FULL JOIN metered m ON m.circuit_id = w.circuit_id AND m.ts = w.ts
)
SELECT
    k.circuit_id,
    k.site_id,
    k.ts,
    s.local_date,
    s.grid_w,
    k.on_us,
    epoch_us(s.end_ts - s.ts) AS cover_us,
    k.meter_w IS NOT NULL AS metered,
    coalesce(k.meter_w, c.rated_w * k.on_us / nullif(epoch_us(s.end_ts - s.ts), 0)) AS own_w
FROM known k
JOIN sample s ON s.site_id = k.site_id AND s.ts = k.ts
LEFT JOIN setting_day c ON c.circuit_id = k.circuit_id AND c.local_date = s.local_date
