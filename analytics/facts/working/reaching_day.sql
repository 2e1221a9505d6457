-- reaching_day: days on which surplus runs began that reach a day that changed
-- grain: site_id, local_date
SELECT DISTINCT r.site_id, r.local_date
FROM new_run r
JOIN day d ON d.site_id = r.site_id AND r.start < d.end_ts AND r.until >= d.start_ts
SEMI JOIN near_day n ON n.site_id = d.site_id AND n.local_date = d.local_date
WHERE r.cause_on = 'surplus'
