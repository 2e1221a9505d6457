-- change: switch events of wanted days that changed a circuit's state, with the nearest other changes
-- grain: circuit_id, place; check_id numbers them
-- before_ts, after_ts: of any circuit of the site; own_before_ts, own_after_ts: of the same circuit.
CREATE OR REPLACE TEMP TABLE change AS
WITH effective AS (
    SELECT
        site_id,
        circuit_id,
        local_date,
        place,
        ts,
        closed,
        lag(ts) OVER of_site AS before_ts,
        lead(ts) OVER of_site AS after_ts,
        lag(ts) OVER of_circuit AS own_before_ts,
        lead(ts) OVER of_circuit AS own_after_ts
    FROM event
    WHERE NOT repeats
    WINDOW
        of_site AS (PARTITION BY site_id ORDER BY ts, circuit_id, place),
        of_circuit AS (PARTITION BY circuit_id ORDER BY place)
)
SELECT row_number() OVER () AS check_id, r.*
FROM effective r
SEMI JOIN wanted_day w ON w.site_id = r.site_id AND w.local_date = r.local_date
