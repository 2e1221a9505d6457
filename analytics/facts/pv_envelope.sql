-- pv_envelope: a day's greatest generation by half hour of the UTC day, and the same against the clear sky
-- grain: site_id, local_date
-- peak_w [W], ratio [W/(W/m2)]: lists of 48; ratio only where the clear sky gives 100 W/m2 or more.
WITH best AS (
    SELECT site_id, local_date, half, max(pv_w) AS peak_w, max(pv_w / ghi_wm2) FILTER (WHERE ghi_wm2 >= 100) AS ratio
    FROM half_hour
    GROUP BY ALL
),
seen AS (SELECT DISTINCT site_id, local_date FROM best)
SELECT s.site_id, s.local_date, list(b.peak_w ORDER BY h.half) AS peak_w, list(b.ratio ORDER BY h.half) AS ratio
FROM seen s
CROSS JOIN (SELECT unnest(range(48)) AS half) h
LEFT JOIN best b ON b.site_id = s.site_id AND b.local_date = s.local_date AND b.half = h.half
GROUP BY ALL
