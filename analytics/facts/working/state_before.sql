-- state_before: how each circuit of the bucket stands when the events to be read begin
-- grain: circuit_id
CREATE OR REPLACE TEMP TABLE state_before AS
SELECT
    c.site_id,
    c.circuit_id,
    coalesce(s.closed, false) AS closed,
    s.run_start,
    s.run_date,
    s.run_cause,
    s.off_ts,
    s.off_cause,
    s.event_ts,
    s.event_cause
FROM bucket_circuit c
JOIN bucket_site b USING (site_id)
LEFT JOIN day_state s ON s.circuit_id = c.circuit_id AND s.local_date = b.events_from - 1
