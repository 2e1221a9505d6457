-- event: switch events of the bucket from each site's events_from on, in the order that decides runs
-- grain: circuit_id, place
-- Two events of a circuit at one instant are ordered by seq where both carry one. Else ("tied") the one that
-- changes the standing state comes first; such a pair leaves the state as it was, so what stood before it is
-- the state after the last event that is not tied.
CREATE OR REPLACE TEMP TABLE event AS
WITH logged AS (
    SELECT
        s.site_id,
        s.circuit_id,
        s.ts,
        s.closed,
        s.cause,
        s.seq,
        d.local_date,
        count(*) OVER at_once > 1
        AND NOT (count(s.seq) OVER at_once = count(*) OVER at_once AND min(s.seq) OVER at_once < max(s.seq) OVER at_once) AS tied
    FROM switch_log s
    JOIN bucket_site b ON b.site_id = s.site_id
    JOIN day d ON d.site_id = s.site_id AND s.ts >= d.start_ts AND s.ts < d.end_ts
    WHERE d.local_date >= b.events_from AND s.ts < $as_of AND s.ts >= $first_ts
    WINDOW at_once AS (PARTITION BY s.circuit_id, s.ts)
),
standing AS (
    SELECT
        l.*,
        coalesce(b.closed, false) AS closed_before,
        coalesce(
            last_value(CASE WHEN NOT l.tied THEN l.closed END IGNORE NULLS) OVER (
                PARTITION BY l.circuit_id
                ORDER BY l.ts, l.seq NULLS LAST
                ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
            ),
            b.closed,
            false
        ) AS stood
    FROM logged l
    LEFT JOIN state_before b ON b.circuit_id = l.circuit_id
),
placed AS (
    SELECT
        *,
        row_number() OVER (
            PARTITION BY circuit_id
            ORDER BY ts, CASE WHEN tied AND closed = stood THEN 1 ELSE 0 END, seq NULLS LAST
        ) AS place
    FROM standing
)
SELECT
    site_id,
    circuit_id,
    local_date,
    place,
    ts,
    closed,
    cause,
    seq,
    closed = coalesce(lag(closed) OVER in_order, closed_before) AS repeats,
    lead(ts) OVER in_order AS next_ts
FROM placed
WINDOW in_order AS (PARTITION BY circuit_id ORDER BY place)
