-- wall_window: windows of the wanted days that can be judged: those that lie within the site's logs
-- grain: circuit_id, kind, window_id, local_date
CREATE OR REPLACE TEMP TABLE wall_window AS
SELECT
    w.site_id,
    w.circuit_id,
    w.kind,
    w.window_id,
    w.local_date,
    w.start_ts,
    w.end_ts,
    epoch_us(w.end_ts - w.start_ts) / 1e6 AS length_s,
    coalesce(w.need_minutes * 60, epoch_us(w.end_ts - w.start_ts) / 1e6) AS need_s
FROM window_span w
SEMI JOIN wanted_day d ON d.site_id = w.site_id AND d.local_date = w.local_date
JOIN bucket_site b ON b.site_id = w.site_id
WHERE b.horizon >= w.end_ts AND w.start_ts >= b.first_ts
