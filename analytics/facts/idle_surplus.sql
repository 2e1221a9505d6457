-- idle_surplus: surplus that a circuit could have used and did not
-- grain: circuit_id, local_date
-- Stretches of 10 min or more of samples with a surplus of 1.1 x surplus_on_w or more, in which the circuit was off,
-- rested, in no lockout, and held off neither by hand nor by shedding. idle_surplus_wh [Wh]: the least of
-- surplus and rated_w. Circuits with surplus_on_w, days with samples; none on days with islanding.
-- held_*: the same measure over samples that lie wholly in one hold off by hand, the one of the day that had stood
-- longest by its own or the day's end: held_since its event, held_s [s] how long it had stood by then.
WITH follower AS (
    SELECT w.site_id, w.local_date, w.start_ts, w.end_ts, c.circuit_id, c.rated_w, c.surplus_on_w, coalesce(c.min_rest_s, 0) AS min_rest_s
    FROM wanted_day w
    JOIN setting_day c USING (site_id, local_date)
    WHERE c.surplus_on_w IS NOT NULL
        AND (w.site_id, w.local_date) IN (SELECT (site_id, local_date) FROM half_hour)
        AND (w.site_id, w.local_date) NOT IN (SELECT (site_id, local_date) FROM island_part)
),
ample AS (
    SELECT site_id, local_date, ts, least(end_ts, day_end) AS end_ts, pv_w + battery_w - house_w AS surplus_w
    FROM sample
    WHERE 10 * (pv_w + battery_w - house_w) >= (SELECT 11 * min(surplus_on_w) FROM follower) AND end_ts > ts
),
candidate AS (
    SELECT f.circuit_id, f.local_date, f.rated_w, a.ts, a.end_ts, a.surplus_w
    FROM follower f
    JOIN ample a ON a.site_id = f.site_id AND a.local_date = f.local_date
    WHERE 10 * a.surplus_w >= 11 * f.surplus_on_w
),
taken AS (
    SELECT r.circuit_id, r.start AS from_ts, r.until AS to_ts, r."end" AS end_ts FROM new_run r
    UNION ALL
    SELECT s.circuit_id, s.off_ts, s.off_ts, s.off_ts FROM state_before s WHERE s.off_ts IS NOT NULL
),
busy AS (
    SELECT
        f.circuit_id,
        f.local_date,
        t.from_ts,
        t.to_ts + CASE WHEN t.end_ts IS NULL THEN INTERVAL 0 SECOND ELSE to_microseconds(CAST(f.min_rest_s * 1e6 AS BIGINT)) END AS to_ts
    FROM follower f
    JOIN taken t ON t.circuit_id = f.circuit_id AND t.from_ts < f.end_ts
    WHERE t.to_ts + to_microseconds(CAST(f.min_rest_s * 1e6 AS BIGINT)) > f.start_ts
    UNION ALL
    SELECT f.circuit_id, f.local_date, h.from_ts, h.to_ts
    FROM follower f
    JOIN hold h ON h.circuit_id = f.circuit_id AND h.from_ts < f.end_ts AND h.to_ts > f.start_ts
    WHERE h.cause = 'shed'
    UNION ALL
    SELECT f.circuit_id, f.local_date, w.start_ts, w.end_ts
    FROM follower f
    JOIN window_span w ON w.circuit_id = f.circuit_id AND w.start_ts < f.end_ts AND w.end_ts > f.start_ts
    WHERE w.kind = 'lockout'
),
by_hand AS (
    SELECT f.circuit_id, f.local_date, h.from_ts, h.to_ts, h.closed, least(h.to_ts, f.end_ts) - h.from_ts AS stood
    FROM follower f
    JOIN hold h ON h.circuit_id = f.circuit_id AND h.from_ts < f.end_ts AND h.to_ts > f.start_ts
    WHERE h.cause = 'hand'
),
longest AS (
    SELECT * FROM by_hand
    WHERE NOT closed AND to_ts > from_ts
    QUALIFY row_number() OVER (PARTITION BY circuit_id, local_date ORDER BY stood DESC, from_ts) = 1
),
rested AS (
    SELECT c.*
    FROM candidate c
    ANTI JOIN busy b
        ON b.circuit_id = c.circuit_id AND b.local_date = c.local_date AND b.from_ts < c.end_ts AND b.to_ts > c.ts
),
idle AS (
    SELECT r.*, false AS held
    FROM rested r
    ANTI JOIN by_hand h
        ON h.circuit_id = r.circuit_id AND h.local_date = r.local_date AND h.from_ts < r.end_ts AND h.to_ts > r.ts
    UNION ALL
    SELECT r.*, true
    FROM rested r
    JOIN longest h
        ON h.circuit_id = r.circuit_id AND h.local_date = r.local_date AND h.from_ts <= r.ts AND h.to_ts >= r.end_ts
),
split AS (
    SELECT *, lag(end_ts) OVER (PARTITION BY circuit_id, local_date, held ORDER BY ts) IS DISTINCT FROM ts AS begins FROM idle
),
grouped AS (
    SELECT *, count(*) FILTER (WHERE begins) OVER (PARTITION BY circuit_id, local_date, held ORDER BY ts) AS stretch FROM split
),
stretches AS (
    SELECT
        circuit_id,
        local_date,
        held,
        min(ts) AS start,
        sum(epoch_us(end_ts - ts)) AS idle_us,
        sum(CAST(round(least(rated_w, surplus_w) * epoch_us(end_ts - ts)) AS HUGEINT)) AS idle_wus,
        bool_or(rated_w IS NULL) AS unknown
    FROM grouped
    GROUP BY circuit_id, local_date, held, stretch
    HAVING sum(epoch_us(end_ts - ts)) >= 600e6
),
summed AS (
    SELECT
        circuit_id,
        local_date,
        held,
        min(start) AS first_ts,
        sum(idle_us) / 1e6 AS surplus_s,
        CASE WHEN bool_or(unknown) THEN NULL ELSE sum(idle_wus) / 3.6e9 END AS surplus_wh,
        count(*) AS stretches
    FROM stretches
    GROUP BY ALL
)
SELECT
    f.site_id,
    f.circuit_id,
    f.local_date,
    coalesce(s.surplus_s, 0) AS idle_surplus_s,
    CASE WHEN s.stretches IS NULL THEN 0 ELSE s.surplus_wh END AS idle_surplus_wh,
    coalesce(s.stretches, 0) AS stretches,
    s.first_ts,
    l.from_ts AS held_since,
    epoch_us(l.stood) / 1e6 AS held_s,
    coalesce(h.surplus_s, 0) AS held_surplus_s,
    CASE WHEN h.stretches IS NULL THEN 0 ELSE h.surplus_wh END AS held_surplus_wh,
    coalesce(h.stretches, 0) AS held_stretches,
    h.first_ts AS held_first_ts
FROM follower f
LEFT JOIN longest l USING (circuit_id, local_date)
LEFT JOIN summed s ON s.circuit_id = f.circuit_id AND s.local_date = f.local_date AND NOT s.held
LEFT JOIN summed h ON h.circuit_id = f.circuit_id AND h.local_date = f.local_date AND h.held
