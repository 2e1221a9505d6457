-- tariff_day: price spans that begin on each day, in wall time
-- grain: site_id, local_date, wall_start
CREATE OR REPLACE TEMP TABLE tariff_day AS
WITH priced_day AS (
    SELECT DISTINCT w.site_id, CAST(unnest([w.local_date - 1, w.local_date, w.local_date + 1]) AS DATE) AS local_date
    FROM wanted_day w
),
site_of_day AS (
    SELECT p.site_id, p.local_date, s.tariff_id
    FROM priced_day p
    JOIN site s
        ON s.site_id = p.site_id
        AND (s.valid_from IS NULL OR s.valid_from <= p.local_date)
        AND (s.valid_to IS NULL OR s.valid_to >= p.local_date)
    QUALIFY row_number() OVER (PARTITION BY p.site_id, p.local_date ORDER BY s.valid_from DESC NULLS LAST) = 1
)
SELECT
    d.site_id,
    b.timezone,
    d.local_date,
    t.start AS wall_start,
    t."end" AS wall_end,
    CASE WHEN t."end" <= t.start THEN d.local_date + 1 ELSE d.local_date END AS end_date,
    t.import_per_kwh,
    t.export_per_kwh
FROM site_of_day d
JOIN bucket_site b USING (site_id)
JOIN tariff t
    ON t.tariff_id = d.tariff_id
    AND list_has_any(
        ['daily', lower(strftime(d.local_date, '%a')), CASE WHEN isodow(d.local_date) <= 5 THEN 'weekdays' ELSE 'weekends' END],
        string_split(lower(replace(t.days, ' ', '')), ',')
    )
    AND (t.valid_from IS NULL OR t.valid_from <= d.local_date)
    AND (t.valid_to IS NULL OR t.valid_to >= d.local_date)
WHERE t.valid_to IS DISTINCT FROM d.local_date OR NOT EXISTS (
    SELECT 1 FROM tariff n WHERE n.tariff_id = t.tariff_id AND n.valid_from = d.local_date AND n.valid_from IS DISTINCT FROM t.valid_from
)
QUALIFY row_number() OVER (
    PARTITION BY d.site_id, d.local_date, t.days, t.start ORDER BY t.valid_from DESC NULLS LAST
) = 1
