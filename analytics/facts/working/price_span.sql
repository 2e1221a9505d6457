-- price_span: stretches of one price, as instants; of rows that overlap, the one that began last holds
-- grain: site_id, start_ts
CREATE OR REPLACE TEMP TABLE price_span AS
WITH begun AS MATERIALIZED (
    SELECT t.*, s.ts AS start_ts
    FROM tariff_day t
    JOIN wall s ON s.timezone = t.timezone AND s.local_date = t.local_date AND s.wall = t.wall_start
),
span_of_row AS MATERIALIZED (
    SELECT t.site_id, t.start_ts, e.ts AS end_ts, t.import_per_kwh, t.export_per_kwh
    FROM begun t
    JOIN wall e ON e.timezone = t.timezone AND e.local_date = t.end_date AND e.wall = t.wall_end
    WHERE e.ts > t.start_ts
),
edge AS (SELECT site_id, start_ts AS ts FROM span_of_row UNION SELECT site_id, end_ts FROM span_of_row),
piece AS (SELECT site_id, ts AS start_ts, lead(ts) OVER (PARTITION BY site_id ORDER BY ts) AS end_ts FROM edge)
SELECT p.site_id, p.start_ts, p.end_ts, r.import_per_kwh, r.export_per_kwh
FROM piece p
JOIN span_of_row r ON r.site_id = p.site_id AND r.start_ts <= p.start_ts AND r.end_ts >= p.end_ts
QUALIFY row_number() OVER (
    PARTITION BY p.site_id, p.start_ts ORDER BY r.start_ts DESC, r.end_ts, r.import_per_kwh DESC
) = 1
