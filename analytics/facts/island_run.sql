-- island_run: how long a circuit was on in an island
-- grain: circuit_id, start, by_hand
-- on_s [s] leaves out the island's first and last sample, of which only a part may have been islanded. by_hand:
-- of runs that were begun by hand after the island had begun; one that has stood since before yesterday counts
-- as having begun before any run.
SELECT
    i.site_id,
    r.circuit_id,
    i.local_date,
    i.start,
    i."end",
    coalesce(r.cause_on = 'hand' AND (r.start >= i.since OR i.long), false) AS by_hand,
    min(greatest(r.start, i.sure_from)) AS on_from,
    sum(epoch_us(least(r.until, i.sure_to) - greatest(r.start, i.sure_from))) / 1e6 AS on_s
FROM island_part i
JOIN new_run r ON r.site_id = i.site_id AND r.start < i.sure_to AND r.until > i.sure_from
WHERE i.sure_to > i.sure_from
GROUP BY ALL
