-- wall_window: the same windows as instants; those that can be judged are those within the site's logs
-- grain: circuit_id, kind, window_id, local_date
-- The begins are looked up first and kept: joined at once, both look-ups could be paired with each other.
CREATE OR REPLACE TEMP TABLE wall_window AS
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
    epoch_us(greatest(e.ts, w.start_ts) - w.start_ts) / 1e6 AS length_s,
    coalesce(w.need_minutes * 60, epoch_us(greatest(e.ts, w.start_ts) - w.start_ts) / 1e6) AS need_s
FROM begun w
JOIN wall e ON e.timezone = w.timezone AND e.local_date = w.end_date AND e.wall = w.wall_end
JOIN bucket_site b ON b.site_id = w.site_id
WHERE b.horizon >= greatest(e.ts, w.start_ts) AND w.start_ts >= b.first_ts
