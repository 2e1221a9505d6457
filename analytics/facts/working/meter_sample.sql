-- meter_sample: samples of circuit meters of the days to be loaded, each with the extent it covers
-- grain: circuit_id, ts
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
        WHEN l.next_ts IS NULL AND l.local_date >= b.last_date
            THEN l.ts + to_microseconds(CAST(r.interval_us AS BIGINT))
        ELSE least(l.next_ts, l.ts + to_microseconds(CAST(3 * r.interval_us AS BIGINT)))
    END AS end_ts
FROM logged l
JOIN resolved r USING (circuit_id, local_date)
JOIN bucket_site b USING (site_id)
