-- island_run: how long a circuit was on in an island
-- grain: circuit_id, start, by_hand
-- on_s [s] leaves out the island's first and last sample, of which only a part may have been islanded; but a run
-- that was on before an island of 2 samples or more, and after it, was on all the while. by_hand: of runs that were begun
-- by hand after the island had begun; one that has stood since before yesterday counts as having begun before any run.
WITH ran AS (
    SELECT
        i.*,
        r.circuit_id,
        r.start AS run_start,
        r.until AS run_until,
        r.cause_on,
        i.samples >= 2 AND r.start <= i.since AND r.until >= i.until AS throughout
    FROM island_part i
    JOIN new_run r ON r.site_id = i.site_id AND r.start < i."end" AND r.until > i.start
),
cut AS (
    SELECT
        *,
        greatest(run_start, CASE WHEN throughout THEN start ELSE sure_from END) AS from_ts,
        least(run_until, CASE WHEN throughout THEN "end" ELSE sure_to END) AS to_ts
    FROM ran
)
SELECT
    site_id,
    circuit_id,
    local_date,
    start,
    "end",
    coalesce(cause_on = 'hand' AND (run_start >= since OR long), false) AS by_hand,
    min(from_ts) AS on_from,
    sum(epoch_us(to_ts - from_ts)) / 1e6 AS on_s
FROM cut
WHERE to_ts > from_ts
GROUP BY ALL
