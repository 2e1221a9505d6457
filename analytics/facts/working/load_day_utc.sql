-- load_day_utc: local days whose samples are loaded, once for each UTC date they touch
-- grain: site_id, local_date, utc_date
-- A sample finds its local day by an equality on (site, UTC date) and a range check.
CREATE OR REPLACE TEMP TABLE load_day_utc AS
SELECT d.site_id, d.local_date, d.start_ts, d.end_ts, CAST(u.utc_date AS DATE) AS utc_date
FROM load_day l
JOIN day d USING (site_id, local_date),
    LATERAL (
        SELECT unnest(generate_series(CAST(d.start_ts AS DATE), CAST(d.end_ts AS DATE), INTERVAL 1 DAY)) AS utc_date
    ) u
