-- known_rows: first and last log row of every local day, from the days looked at and the coverage of all others
-- grain: site_id, local_date
CREATE OR REPLACE TEMP TABLE known_rows AS
SELECT site_id, local_date, first_ts, last_ts, last_sample_ts FROM day_rows
UNION ALL
SELECT c.site_id, c.local_date, c.first_ts, c.last_ts, c.last_sample_ts
FROM coverage c
JOIN zone_site z USING (site_id)
ANTI JOIN look_day l ON l.site_id = c.site_id AND l.local_date = c.local_date
WHERE c.first_ts IS NOT NULL
