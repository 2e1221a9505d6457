-- borrowed_day: days whose few samples take their interval from a day that changed
-- grain: site_id, local_date
SELECT DISTINCT c.site_id, c.local_date
FROM coverage c
JOIN near_day n
    ON n.site_id = c.site_id
    AND c.local_date > n.local_date
    AND c.local_date <= n.local_date + CAST($reach AS INTEGER)
WHERE c.samples < 3 AND c.samples > 0
