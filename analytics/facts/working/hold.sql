-- hold: from each event to the circuit's next one, or the horizon
-- grain: circuit_id, from_ts, place
CREATE OR REPLACE TEMP TABLE hold AS
SELECT e.site_id, e.circuit_id, e.place, e.ts AS from_ts, coalesce(e.next_ts, greatest(b.horizon, e.ts)) AS to_ts, e.closed, e.cause
FROM event e
JOIN bucket_site b USING (site_id)
WHERE e.cause IN ('hand', 'shed')
UNION ALL
SELECT
    s.site_id,
    s.circuit_id,
    0,
    s.event_ts,
    coalesce((SELECT min(e.ts) FROM event e WHERE e.circuit_id = s.circuit_id), greatest(b.horizon, s.event_ts)),
    s.closed,
    s.event_cause
FROM state_before s
JOIN bucket_site b USING (site_id)
WHERE s.event_cause IN ('hand', 'shed')
