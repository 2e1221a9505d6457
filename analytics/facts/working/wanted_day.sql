-- wanted_day: days whose facts are computed anew, within the site's logs
-- grain: site_id, local_date
CREATE OR REPLACE TEMP TABLE wanted_day AS
SELECT d.*, b.horizon
FROM near_day n
JOIN day d USING (site_id, local_date)
JOIN bucket_site b ON b.site_id = n.site_id AND n.local_date BETWEEN b.first_date AND b.last_date
WHERE n.local_date > b.events_from
