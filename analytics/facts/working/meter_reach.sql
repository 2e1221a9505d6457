-- meter_reach: local days of the newest meter sample before each day looked at, within 31 days
-- grain: site_id, local_date
WITH metered AS (
    SELECT m.circuit_id, m.site_id, m.ts
    FROM circuit_power_log m
    JOIN zone_site z USING (site_id)
    WHERE m.ts >= (SELECT min(start_ts) FROM look_day_utc) - INTERVAL 31 DAY
        AND m.ts < (SELECT max(end_ts) FROM look_day_utc)
        AND m.ts < $as_of
),
asked AS (
    SELECT DISTINCT k.circuit_id, k.site_id, l.start_ts
    FROM look_day_utc l
    JOIN (SELECT DISTINCT circuit_id, site_id FROM metered) k USING (site_id)
)
SELECT DISTINCT a.site_id, CAST(m.ts + to_seconds(o.offset_s) AS DATE) AS local_date
FROM asked a
ASOF JOIN metered m ON m.circuit_id = a.circuit_id AND m.ts < a.start_ts
JOIN site_offset o ON o.site_id = a.site_id AND m.ts >= o.from_ts AND m.ts < o.to_ts
