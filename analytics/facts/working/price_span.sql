-- price_span: the same spans as instants
-- grain: site_id, start_ts
CREATE OR REPLACE TEMP TABLE price_span AS
SELECT t.site_id, t.local_date, s.ts AS start_ts, e.ts AS end_ts, t.import_per_kwh, t.export_per_kwh
FROM tariff_day t
JOIN wall s ON s.timezone = t.timezone AND s.local_date = t.local_date AND s.wall = t.wall_start
JOIN wall e ON e.timezone = t.timezone AND e.local_date = t.end_date AND e.wall = t.wall_end
WHERE e.ts > s.ts
