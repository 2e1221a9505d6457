-- events_from: the day from which each site's events are read: the day before the first day asked for, or before
-- the day on which a run began that stood then
-- grain: site_id
SELECT
    f.site_id,
    least(
        f.local_date,
        min(s.run_date) FILTER (
            WHERE s.closed AND (s.run_cause = 'surplus' OR s.run_date >= f.local_date - CAST($reach AS INTEGER))
        )
    ) - 1 AS events_from
FROM first_asked f
LEFT JOIN day_state s ON s.site_id = f.site_id AND s.local_date = f.local_date - 1
GROUP BY f.site_id, f.local_date
