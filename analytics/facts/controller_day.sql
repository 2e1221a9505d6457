-- controller_day: events of a controller in a local day
-- grain: controller_id, local_date
-- lost_events: numbers missing from seq, dated by the event after the hole; resets: seq going back.
WITH numbered AS (
    SELECT e.site_id, c.controller_id, e.local_date, e.circuit_id, e.ts, e.seq
    FROM event e
    JOIN setting_day c ON c.circuit_id = e.circuit_id AND c.local_date = e.local_date
),
before AS (
    SELECT d.controller_id, d.last_seq, d.firmware
    FROM controller_day d
    JOIN bucket_site b ON b.site_id = d.site_id AND d.local_date = b.events_from - 1
),
stepped AS (
    SELECT
        n.*,
        n.seq - coalesce(
            last_value(n.seq IGNORE NULLS) OVER (
                PARTITION BY n.controller_id
                ORDER BY n.ts, n.seq NULLS LAST, n.circuit_id
                ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING
            ),
            b.last_seq
        ) AS step,
        last_value(n.seq IGNORE NULLS) OVER (
            PARTITION BY n.controller_id
            ORDER BY n.ts, n.seq NULLS LAST, n.circuit_id
            ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW
        ) AS newest_seq,
        row_number() OVER (PARTITION BY n.controller_id ORDER BY n.ts, n.seq NULLS LAST, n.circuit_id) AS place
    FROM numbered n
    LEFT JOIN before b USING (controller_id)
),
counted AS (
    SELECT
        controller_id,
        local_date,
        count(*) AS events,
        coalesce(sum(step - 1) FILTER (WHERE step > 1), 0) AS lost_events,
        count(*) FILTER (WHERE step < 0) AS resets,
        arg_max(newest_seq, place) AS last_seq
    FROM stepped
    GROUP BY ALL
),
reported AS (
    SELECT s.controller_id, s.ts, s.firmware
    FROM status_log s
    JOIN bucket_site b USING (site_id)
    WHERE s.firmware IS NOT NULL AND s.ts < $as_of AND s.ts >= $first_ts
),
controller_of_day AS (
    SELECT DISTINCT c.site_id, c.controller_id, d.local_date, d.end_ts
    FROM setting_day c
    JOIN bucket_site b ON b.site_id = c.site_id AND c.local_date BETWEEN b.events_from AND b.last_date
    JOIN day d ON d.site_id = c.site_id AND d.local_date = c.local_date
    WHERE c.local_date >= b.first_date AND c.controller_id IS NOT NULL
)
SELECT
    c.site_id,
    c.controller_id,
    c.local_date,
    coalesce(n.events, 0) AS events,
    coalesce(n.lost_events, 0) AS lost_events,
    coalesce(n.resets, 0) AS resets,
    coalesce(r.firmware, b.firmware) AS firmware,
    coalesce(
        last_value(n.last_seq IGNORE NULLS) OVER (
            PARTITION BY c.controller_id ORDER BY c.local_date ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW
        ),
        b.last_seq
    ) AS last_seq
FROM controller_of_day c
LEFT JOIN counted n USING (controller_id, local_date)
LEFT JOIN before b USING (controller_id)
ASOF LEFT JOIN reported r ON r.controller_id = c.controller_id AND r.ts < c.end_ts
