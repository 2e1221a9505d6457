-- check_verdict: expected step and verdict of the checks of the days asked for and of the 28 days after them
-- grain: circuit_id, ts
-- learned: median of the circuit's own clear steps of the same sign in the 28 local days before, where there are
-- 8 and at least half of its checks of that sign in those days were clear. Clear: the right sign and beyond 3 x noise
-- (at least 30 W). Steps of a load that is gone are thus not learned.
CREATE OR REPLACE TEMP TABLE check_verdict AS
WITH span AS (SELECT site_id, min(local_date) AS first_date, max(local_date) + 28 AS last_date FROM asked_day GROUP BY ALL),
checked AS (
    SELECT
        s.site_id,
        s.circuit_id,
        s.local_date,
        s.ts,
        s.closed,
        s.noise_w,
        s.expected_w,
        s.learned,
        s.verdict,
        CASE WHEN s.closed THEN s.step_w ELSE -s.step_w END AS change_w,
        s.local_date >= p.first_date AS asked
    FROM switch_check s
    JOIN span p ON p.site_id = s.site_id AND s.local_date BETWEEN p.first_date - 28 AND p.last_date
),
asked_of AS (SELECT DISTINCT circuit_id, closed, local_date FROM checked WHERE asked),
own AS (
    SELECT
        a.circuit_id,
        a.closed,
        a.local_date,
        median(p.change_w) FILTER (WHERE p.change_w > greatest(3 * p.noise_w, 30)) AS step_w,
        count(*) FILTER (WHERE p.change_w > greatest(3 * p.noise_w, 30)) AS clear,
        count(*) AS checks
    FROM asked_of a
    JOIN checked p
        ON p.circuit_id = a.circuit_id AND p.closed = a.closed AND p.local_date BETWEEN a.local_date - 28 AND a.local_date - 1
    GROUP BY ALL
),
expected AS (
    SELECT
        c.*,
        coalesce(o.clear >= 8 AND 2 * o.clear >= o.checks, false) AS now_learned,
        CASE WHEN o.clear >= 8 AND 2 * o.clear >= o.checks THEN o.step_w ELSE d.rated_w END AS now_expected_w
    FROM checked c
    LEFT JOIN own o ON o.circuit_id = c.circuit_id AND o.closed = c.closed AND o.local_date = c.local_date
    LEFT JOIN setting_day d ON d.circuit_id = c.circuit_id AND d.local_date = c.local_date
    WHERE c.asked
),
judged AS (
    SELECT
        *,
        CASE
            WHEN NOT coalesce(now_expected_w > 0, false) THEN 'unclear'
            WHEN change_w >= 0.5 * now_expected_w THEN 'seen'
            WHEN change_w < 0.2 * now_expected_w AND 3 * noise_w < 0.5 * now_expected_w THEN 'absent'
            ELSE 'unclear'
        END AS now_verdict
    FROM expected
)
SELECT circuit_id, ts, now_expected_w AS expected_w, now_learned AS learned, now_verdict AS verdict
FROM judged
WHERE (expected_w, learned, verdict) IS DISTINCT FROM (now_expected_w, now_learned, now_verdict)
