-- window_span: run and lockout windows as instants, of the wanted days and of the days beside them
-- grain: circuit_id, kind, window_id, local_date
-- The begins are looked up first and kept: joined at once, both look-ups could be paired with each other.
CREATE OR REPLACE TEMP TABLE window_span AS
WITH begun AS MATERIALIZED (
    SELECT w.*, s.ts AS start_ts
    FROM window_day w
    JOIN wall s ON s.timezone = w.timezone AND s.local_date = w.local_date AND s.wall = w.wall_start
)
SELECT
    w.site_id,
    w.circuit_id,
    w.kind,
    w.window_id,
    w.local_date,
    w.start_ts,
    greatest(e.ts, w.start_ts) AS end_ts,
    w.need_minutes
FROM begun w
JOIN wall e ON e.timezone = w.timezone AND e.local_date = w.end_date AND e.wall = w.wall_end
