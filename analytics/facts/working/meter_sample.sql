-- meter_sample: samples of circuit meters of the days to be loaded, each with the extent it covers
-- grain: circuit_id, ts
-- Extents are those of power samples; the last sample of a meter covers one interval.
CREATE OR REPLACE TEMP TABLE meter_sample AS
WITH logged AS (
    SELECT
        m.site_id,
        m.circuit_id,
        d.local_date,
        d.end_ts AS day_end,
        m.ts,
        m.circuit_w,
        lead(m.ts) OVER (PARTITION BY m.circuit_id ORDER BY m.ts) AS next_ts
    FROM circuit_power_log m
    JOIN load_day_utc d
        ON d.site_id = m.site_id AND d.utc_date = CAST(m.ts AS DATE) AND m.ts >= d.start_ts AND m.ts < d.end_ts
    WHERE m.ts >= $first_ts AND m.ts < $last_ts AND m.ts < $as_of
),
measured AS (
    SELECT
        circuit_id,
        local_date,
        count(*) AS samples,
        median(epoch_us(next_ts - ts)) FILTER (WHERE next_ts < day_end) AS interval_us
    FROM logged
    GROUP BY ALL
),
ending AS (
    -- the last sample of a meter, or of a stretch that 31 days of nothing follow
    SELECT l.circuit_id, l.ts
    FROM logged l
    ANTI JOIN circuit_power_log m
        ON m.circuit_id = l.circuit_id AND m.ts > l.ts AND m.ts <= l.ts + INTERVAL 31 DAY AND m.ts < $as_of
    WHERE l.next_ts IS NULL OR l.next_ts > l.ts + INTERVAL 31 DAY
),
known AS (SELECT * FROM measured WHERE samples >= 3),
resolved AS (
    SELECT
        m.circuit_id,
        m.local_date,
        CASE
            WHEN m.samples >= 3 THEN m.interval_us
            WHEN k.local_date >= m.local_date - 31 THEN k.interval_us
            ELSE coalesce(m.interval_us, 0)
        END AS interval_us
    FROM measured m
    ASOF LEFT JOIN known k ON k.circuit_id = m.circuit_id AND k.local_date < m.local_date
)
SELECT
    l.site_id,
    l.circuit_id,
    l.local_date,
    l.ts,
    l.circuit_w,
    CASE
        WHEN e.ts IS NOT NULL
            THEN l.ts + to_microseconds(CAST(r.interval_us AS BIGINT))
        ELSE least(l.next_ts, l.ts + to_microseconds(CAST(3 * r.interval_us AS BIGINT)))
    END AS end_ts
FROM logged l
JOIN resolved r USING (circuit_id, local_date)
LEFT JOIN ending e ON e.circuit_id = l.circuit_id AND e.ts = l.ts
