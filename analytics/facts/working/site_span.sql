-- site_span: where each site's logs begin and end, its horizon, and the dates of the facts that stand
-- grain: site_id
SELECT
    z.site_id,
    s.first_ts,
    s.last_ts,
    s.first_date,
    s.last_date,
    s.last_sample_ts,
    s.last_sample_date,
    greatest(s.last_ts, s.last_sample_ts + to_microseconds(CAST(coalesce(i.interval_us, 0) AS BIGINT))) AS horizon,
    b.first_before,
    b.last_before,
    b.last_sample_before
FROM zone_site z
LEFT JOIN span s USING (site_id)
LEFT JOIN last_interval i USING (site_id)
LEFT JOIN (
    SELECT
        site_id,
        min(local_date) AS first_before,
        max(local_date) AS last_before,
        max(local_date) FILTER (WHERE last_sample_ts IS NOT NULL) AS last_sample_before
    FROM coverage
    JOIN zone_site USING (site_id)
    GROUP BY ALL
) b USING (site_id)
