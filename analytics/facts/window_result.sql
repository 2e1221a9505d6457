-- window_result: what a run window asked for and got
-- grain: circuit_id, window_id, local_date of the window's start
-- need_s, on_s, covered_s, excused_s [s]; grace 300 s; a break is off time between two stretches on.
WITH asked AS (SELECT * FROM wall_window WHERE kind = 'run'),
stretch AS (
    SELECT a.circuit_id, a.window_id, a.local_date, greatest(r.start, a.start_ts) AS on_from, least(r.until, a.end_ts) AS on_to
    FROM asked a
    JOIN new_run r ON r.circuit_id = a.circuit_id AND r.start < a.end_ts AND r.until > a.start_ts
    WHERE r.until > r.start AND a.end_ts > a.start_ts
),
spaced AS (
    SELECT
        *,
        epoch_us(on_from - lag(on_to) OVER (PARTITION BY circuit_id, window_id, local_date ORDER BY on_from)) / 1e6 AS break_s
    FROM stretch
),
ran AS (
    SELECT
        circuit_id,
        window_id,
        local_date,
        sum(epoch_us(on_to - on_from)) / 1e6 AS on_s,
        min(on_from) AS first_on_ts,
        max(on_to) AS last_off_ts,
        coalesce(max(break_s), 0) AS longest_break_s
    FROM spaced
    GROUP BY ALL
),
uncovered AS (
    SELECT
        a.circuit_id, a.window_id, a.local_date, sum(epoch_us(least(h.to_ts, a.end_ts) - greatest(h.from_ts, a.start_ts))) / 1e6 AS hole_s
    FROM asked a
    JOIN hole h ON h.site_id = a.site_id AND h.from_ts < a.end_ts AND h.to_ts > a.start_ts
    GROUP BY ALL
),
excuse AS (
    SELECT
        a.circuit_id,
        a.window_id,
        a.local_date,
        sum(epoch_us(least(h.to_ts, a.end_ts) - greatest(h.from_ts, a.start_ts))) / 1e6 AS excused_s
    FROM asked a
    JOIN hold h ON h.circuit_id = a.circuit_id AND h.from_ts < a.end_ts AND h.to_ts > a.start_ts
    WHERE NOT h.closed
    GROUP BY ALL
),
judged AS (
    SELECT
        a.*,
        coalesce(r.on_s, 0) AS on_s,
        a.length_s - coalesce(u.hole_s, 0) AS covered_s,
        coalesce(e.excused_s, 0) AS excused_s,
        r.first_on_ts,
        r.last_off_ts,
        a.need_s >= a.length_s AS whole,
        r.longest_break_s <= 300 AS unbroken,
        epoch_us(r.first_on_ts - a.start_ts) / 1e6 AS lateness_s,
        epoch_us(a.end_ts - r.last_off_ts) / 1e6 AS missing_end_s
    FROM asked a
    LEFT JOIN ran r USING (circuit_id, window_id, local_date)
    LEFT JOIN uncovered u USING (circuit_id, window_id, local_date)
    LEFT JOIN excuse e USING (circuit_id, window_id, local_date)
)
SELECT
    site_id,
    circuit_id,
    window_id,
    local_date,
    start_ts,
    end_ts,
    need_s,
    on_s,
    covered_s,
    excused_s,
    first_on_ts,
    last_off_ts,
    CASE
        WHEN length_s = 0 OR on_s >= need_s - 300 THEN 'met'
        WHEN covered_s < 0.9 * length_s THEN 'unknown'
        WHEN on_s + excused_s >= need_s - 300 THEN 'excused'
        WHEN on_s = 0 THEN 'missed'
        WHEN whole AND unbroken AND lateness_s > 300 AND missing_end_s <= 300 THEN 'late'
        WHEN whole AND unbroken AND lateness_s <= 300 AND missing_end_s > 300 THEN 'cut_short'
        ELSE 'short'
    END AS verdict
FROM judged
