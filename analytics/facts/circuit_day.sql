-- circuit_day: switching and energy of a circuit in a local day, zeros included
-- grain: circuit_id, local_date
-- on_s, hand_s [s], own_wh, grid_wh [Wh]; counts are of runs that begin in the day. Sums are taken in whole
-- W x us, so that they do not depend on the order of rows.
WITH circuit_of_day AS (
    SELECT w.site_id, w.local_date, w.start_ts, w.end_ts, c.circuit_id, c.rated_w, c.min_run_s, c.min_rest_s
    FROM wanted_day w
    JOIN setting_day c USING (site_id, local_date)
),
started AS (
    SELECT
        r.*,
        coalesce(lag(r."end") OVER in_order, s.off_ts) AS off_before,
        CASE WHEN lag(r.start) OVER in_order IS NULL THEN s.off_cause ELSE lag(r.cause_off) OVER in_order END AS off_before_cause,
        count(*) OVER (
            PARTITION BY r.circuit_id ORDER BY r.start RANGE BETWEEN INTERVAL 3599999999 MICROSECOND PRECEDING AND CURRENT ROW
        ) AS starts_1h,
        count(*) OVER (
            PARTITION BY r.circuit_id ORDER BY r.start RANGE BETWEEN INTERVAL 59999999 MICROSECOND PRECEDING AND CURRENT ROW
        ) AS starts_60s
    FROM new_run r
    LEFT JOIN state_before s ON s.circuit_id = r.circuit_id
    WINDOW in_order AS (PARTITION BY r.circuit_id ORDER BY r.start)
),
begun AS (
    SELECT
        s.circuit_id,
        s.local_date,
        count(*) AS starts,
        count(*) FILTER (
            WHERE s."end" IS NOT NULL
                AND s.duration_s < c.min_run_s
                AND s.cause_on IS DISTINCT FROM 'hand'
                AND s.cause_off IS DISTINCT FROM 'hand'
                AND s.cause_off IS DISTINCT FROM 'shed'
        ) AS short_runs,
        count(*) FILTER (
            WHERE epoch_us(s.start - s.off_before) / 1e6 < c.min_rest_s
                AND s.cause_on IS DISTINCT FROM 'hand'
                AND s.off_before_cause IS DISTINCT FROM 'hand'
        ) AS short_rests,
        max(s.starts_1h) AS max_starts_1h,
        count(*) FILTER (WHERE s.starts_60s >= 3) AS chatter
    FROM started s
    JOIN circuit_of_day c ON c.circuit_id = s.circuit_id AND c.local_date = s.local_date
    GROUP BY ALL
),
on_time AS (
    SELECT c.circuit_id, c.local_date, sum(epoch_us(least(r.until, c.end_ts) - greatest(r.start, c.start_ts))) AS on_us
    FROM circuit_of_day c
    JOIN new_run r ON r.circuit_id = c.circuit_id AND r.start < c.end_ts AND r.until > c.start_ts
    GROUP BY ALL
),
held AS (
    SELECT c.circuit_id, c.local_date, sum(epoch_us(least(h.to_ts, c.end_ts) - greatest(h.from_ts, c.start_ts))) AS hand_us
    FROM circuit_of_day c
    JOIN hold h ON h.circuit_id = c.circuit_id AND h.from_ts < c.end_ts AND h.to_ts > c.start_ts
    WHERE h.cause = 'hand'
    GROUP BY ALL
),
repeated AS (
    SELECT circuit_id, local_date, count(*) AS repeats FROM event WHERE repeats GROUP BY ALL
),
covered AS (
    SELECT circuit_id, local_date, sum(on_us) AS covered_us
    FROM (
        SELECT circuit_id, local_date, epoch_us(least(on_to, day_end) - on_from) AS on_us FROM on_sample WHERE on_from < day_end
        UNION ALL
        SELECT o.circuit_id, c.local_date, epoch_us(least(o.on_to, c.end_ts) - greatest(o.on_from, c.start_ts))
        FROM on_sample o
        JOIN circuit_of_day c
            ON c.circuit_id = o.circuit_id AND o.on_to > c.start_ts AND o.on_from < c.end_ts AND c.local_date > o.local_date
        WHERE o.on_to > o.day_end
    )
    GROUP BY ALL
),
bought AS (
    SELECT
        circuit_id,
        local_date,
        sum(CAST(round(least(own_w, greatest(0, grid_w)) * cover_us) AS HUGEINT)) AS grid_wus,
        bool_or(own_w IS NULL) AS unknown
    FROM circuit_sample
    GROUP BY ALL
),
metered AS (
    SELECT circuit_id, local_date, sum(CAST(round(circuit_w * epoch_us(end_ts - ts)) AS HUGEINT)) AS own_wus
    FROM meter_sample
    GROUP BY ALL
)
SELECT
    c.site_id,
    c.circuit_id,
    c.local_date,
    coalesce(b.starts, 0) AS starts,
    coalesce(o.on_us, 0) / 1e6 AS on_s,
    coalesce(b.short_runs, 0) AS short_runs,
    coalesce(b.short_rests, 0) AS short_rests,
    coalesce(b.max_starts_1h, 0) AS max_starts_1h,
    coalesce(b.chatter, 0) AS chatter,
    coalesce(h.hand_us, 0) / 1e6 AS hand_s,
    coalesce(p.repeats, 0) AS repeats,
    CASE
        WHEN m.own_wus IS NOT NULL THEN m.own_wus / 3.6e9
        WHEN coalesce(o.on_us, 0) = 0 THEN 0
        ELSE c.rated_w * o.on_us / 3.6e9
    END AS own_wh,
    CASE
        WHEN coalesce(o.on_us, 0) - coalesce(v.covered_us, 0) > 1000 OR g.unknown THEN NULL
        ELSE coalesce(g.grid_wus, 0) / 3.6e9
    END AS grid_wh
FROM circuit_of_day c
LEFT JOIN begun b USING (circuit_id, local_date)
LEFT JOIN on_time o USING (circuit_id, local_date)
LEFT JOIN held h USING (circuit_id, local_date)
LEFT JOIN repeated p USING (circuit_id, local_date)
LEFT JOIN covered v USING (circuit_id, local_date)
LEFT JOIN bought g USING (circuit_id, local_date)
LEFT JOIN metered m USING (circuit_id, local_date)
