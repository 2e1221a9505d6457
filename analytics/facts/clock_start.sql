-- clock_start: how far a start by the clock lies from the nearest time at which one is due
-- grain: circuit_id, ts
-- offset_s [s]: start less the nearest begin of a run window or end of a lockout of the circuit, as its schedule has
-- them in wall time; empty where none lies within 12 h, and within a window that asks for less than its length, where
-- the controller may choose when to start. shift_s [s]: by how much the site's clocks went forward
-- (+) or back in the 7 local days up to the start, 0 if not at all.
WITH started AS (
    SELECT DISTINCT r.site_id, r.circuit_id, c.controller_id, r.start AS ts, r.local_date
    FROM new_run r
    SEMI JOIN wanted_day w ON w.site_id = r.site_id AND w.local_date = r.local_date
    JOIN setting_day c ON c.circuit_id = r.circuit_id AND c.local_date = r.local_date
    WHERE r.cause_on = 'clock'
),
due AS (
    SELECT circuit_id, start_ts AS ts FROM window_span WHERE kind = 'run'
    UNION
    SELECT circuit_id, end_ts FROM window_span WHERE kind = 'lockout'
),
nearest AS (
    SELECT s.circuit_id, s.ts, d.ts AS due_ts
    FROM started s
    JOIN due d ON d.circuit_id = s.circuit_id AND d.ts BETWEEN s.ts - INTERVAL 12 HOUR AND s.ts + INTERVAL 12 HOUR
    QUALIFY row_number() OVER (PARTITION BY s.circuit_id, s.ts ORDER BY abs(epoch_us(s.ts - d.ts)), d.ts) = 1
),
free AS (
    SELECT DISTINCT s.circuit_id, s.ts
    FROM started s
    JOIN window_span w ON w.circuit_id = s.circuit_id AND w.start_ts < s.ts AND w.end_ts > s.ts
    WHERE w.kind = 'run' AND w.need_minutes * 60e6 < epoch_us(w.end_ts - w.start_ts)
),
shifted AS (
    SELECT s.site_id, s.local_date, CAST(sum(86400 - epoch_us(d.end_ts - d.start_ts) // 1000000) AS DOUBLE) AS shift_s
    FROM (SELECT DISTINCT site_id, local_date FROM started) s
    JOIN day d ON d.site_id = s.site_id AND d.local_date BETWEEN s.local_date - 7 AND s.local_date
    GROUP BY ALL
),
renewed AS (
    SELECT DISTINCT s.circuit_id, s.local_date
    FROM started s
    JOIN schedule w ON w.circuit_id = s.circuit_id
    WHERE w.valid_from BETWEEN s.local_date - 6 AND s.local_date + 1 OR w.valid_to BETWEEN s.local_date - 7 AND s.local_date
)
SELECT
    s.site_id,
    s.circuit_id,
    s.controller_id,
    s.local_date,
    s.ts,
    n.due_ts,
    CASE WHEN f.ts IS NULL THEN epoch_us(s.ts - n.due_ts) / 1e6 END AS offset_s,
    coalesce(h.shift_s, 0) AS shift_s,
    coalesce(h.shift_s, 0) <> 0 AS transition,
    r.circuit_id IS NOT NULL AS windows_changed
FROM started s
LEFT JOIN nearest n USING (circuit_id, ts)
LEFT JOIN free f USING (circuit_id, ts)
LEFT JOIN shifted h USING (site_id, local_date)
LEFT JOIN renewed r USING (circuit_id, local_date)
