-- window_day: run and lockout windows that begin on each day, in wall time
-- grain: circuit_id, kind, window_id, local_date
-- valid_to is the last day of a row; of several rows of one window that hold, the one that began last is used.
CREATE OR REPLACE TEMP TABLE window_day AS
WITH named_day AS (
    SELECT
        site_id,
        local_date,
        ['daily', lower(strftime(local_date, '%a')), CASE WHEN isodow(local_date) <= 5 THEN 'weekdays' ELSE 'weekends' END] AS names
    FROM wanted_day
),
held AS (
    SELECT n.site_id, n.local_date, w.*
    FROM named_day n
    JOIN bucket_circuit k ON k.site_id = n.site_id
    JOIN schedule w
        ON w.circuit_id = k.circuit_id
        AND list_has_any(n.names, string_split(lower(replace(w.days, ' ', '')), ','))
        AND (w.valid_from IS NULL OR w.valid_from <= n.local_date)
        AND (w.valid_to IS NULL OR w.valid_to >= n.local_date)
)
SELECT
    h.site_id,
    b.timezone,
    h.circuit_id,
    h.kind,
    h.window_id,
    h.local_date,
    h.start AS wall_start,
    h."end" AS wall_end,
    CASE WHEN h."end" <= h.start THEN h.local_date + 1 ELSE h.local_date END AS end_date,
    h.need_minutes
FROM held h
JOIN bucket_site b USING (site_id)
QUALIFY row_number() OVER (
    PARTITION BY h.circuit_id, h.kind, h.window_id, h.local_date ORDER BY h.valid_from DESC NULLS LAST
) = 1
