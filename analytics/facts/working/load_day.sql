-- load_day: days whose samples are read: those wanted, their neighbours, and all days of surplus runs that begin on them
-- grain: site_id, local_date
CREATE OR REPLACE TEMP TABLE load_day AS
SELECT site_id, local_date FROM near_day
UNION
SELECT d.site_id, d.local_date
FROM new_run r
SEMI JOIN wanted_day w ON w.site_id = r.site_id AND w.local_date = r.local_date
JOIN day d ON d.site_id = r.site_id AND r.start < d.end_ts AND r.until > d.start_ts
WHERE r.cause_on = 'surplus'
