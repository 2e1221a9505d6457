-- stay_verdict: expected step and verdict of the openings of the days asked for and of the 29 days after them
-- grain: circuit_id, ts
-- stays_on: the closing was seen, the opening absent, with no change of power in that minute beyond the noise and a
-- tenth of the step, the samples are at most 5.5 min apart, and the house stayed up by half the step, and no more than
-- one and a half, from the closing on. opened_itself: within the run the
-- house fell back, so the load had gone before the contactor opened.
CREATE OR REPLACE TEMP TABLE stay_verdict AS
WITH span AS (SELECT site_id, min(local_date) AS first_date, max(local_date) + 29 AS last_date FROM asked_day GROUP BY ALL),
checked AS (
    SELECT s.*
    FROM switch_check s
    JOIN span p ON p.site_id = s.site_id AND s.local_date BETWEEN p.first_date - 1 AND p.last_date
),
paired AS (
    SELECT
        y.*,
        k.expected_w AS step_w,
        k.verdict AS closing_verdict,
        o.verdict AS opening_verdict,
        o.step_w AS change_w,
        o.noise_w,
        greatest(k.interval_s, o.interval_s) AS interval_s
    FROM stay_on y
    JOIN span p ON p.site_id = y.site_id AND y.local_date BETWEEN p.first_date AND p.last_date
    LEFT JOIN checked k ON k.circuit_id = y.circuit_id AND k.ts = y.closing_ts
    LEFT JOIN checked o ON o.circuit_id = y.circuit_id AND o.ts = y.ts
    WHERE y.kind = 'house'
),
judged AS (
    SELECT
        *,
        CASE
            WHEN closing_verdict IS DISTINCT FROM 'seen' OR opening_verdict IS DISTINCT FROM 'absent' THEN 'unclear'
            WHEN floor_w IS NULL OR interval_s > 330 THEN 'unclear'
            WHEN rise_w NOT BETWEEN 0.5 * step_w AND 1.5 * step_w THEN 'unclear'
            WHEN abs(change_w) > greatest(3 * noise_w, 0.1 * step_w) THEN 'unclear'
            WHEN floor_w < 0.5 * step_w THEN 'opened_itself'
            ELSE 'stays_on'
        END AS now_verdict
    FROM paired
)
SELECT circuit_id, ts, step_w AS expected_w, now_verdict AS verdict
FROM judged
WHERE (expected_w, verdict) IS DISTINCT FROM (step_w, now_verdict)
