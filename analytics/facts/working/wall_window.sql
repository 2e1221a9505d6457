-- wall_window: the same windows as instants; those that can be judged are those within the site's logs
-- grain: circuit_id, kind, window_id, local_date
CREATE OR REPLACE TEMP TABLE wall_window AS
SELECT
    w.site_id,
    w.circuit_id,
    w.kind,
    w.window_id,
    w.local_date,
    s.ts AS start_ts,
    greatest(e.ts, s.ts) AS end_ts,
    epoch_us(greatest(e.ts, s.ts) - s.ts) / 1e6 AS length_s,
    coalesce(w.need_minutes * 60, epoch_us(greatest(e.ts, s.ts) - s.ts) / 1e6) AS need_s
FROM window_day w
JOIN wall s ON s.timezone = w.timezone AND s.local_date = w.local_date AND s.wall = w.wall_start
JOIN wall e ON e.timezone = w.timezone AND e.local_date = w.end_date AND e.wall = w.wall_end
JOIN bucket_site b ON b.site_id = w.site_id
WHERE b.horizon >= greatest(e.ts, s.ts) AND s.ts >= b.first_ts
