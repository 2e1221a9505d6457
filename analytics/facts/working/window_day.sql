-- window_day: run and lockout windows that begin on each wanted day and on the days beside it, in wall time
-- grain: circuit_id, kind, window_id, local_date
-- valid_to is the last day of a row; of several rows of one window that hold, the one that began last is used,
-- and where that one does not run on the weekday there is no window.
CREATE OR REPLACE TEMP TABLE window_day AS
WITH asked_day AS (
    SELECT DISTINCT w.site_id, CAST(unnest([w.local_date - 1, w.local_date, w.local_date + 1]) AS DATE) AS local_date
    FROM wanted_day w
),
named_day AS (
    SELECT
        site_id,
        local_date,
        ['daily', lower(strftime(local_date, '%a')), CASE WHEN isodow(local_date) <= 5 THEN 'weekdays' ELSE 'weekends' END] AS names
    FROM asked_day
),
held AS (
    SELECT n.site_id, n.local_date, n.names, w.*
    FROM named_day n
    JOIN bucket_circuit k ON k.site_id = n.site_id
    JOIN schedule w
        ON w.circuit_id = k.circuit_id
        AND (w.valid_from IS NULL OR w.valid_from <= n.local_date)
        AND (w.valid_to IS NULL OR w.valid_to >= n.local_date)
    QUALIFY row_number() OVER (
        PARTITION BY w.circuit_id, w.kind, w.window_id, n.local_date ORDER BY w.valid_from DESC NULLS LAST
    ) = 1
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
WHERE list_has_any(h.names, string_split(lower(replace(h.days, ' ', '')), ','))
