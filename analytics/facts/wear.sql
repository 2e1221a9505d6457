-- wear: contactor operations against rated life, before the projection (analytics/wear.py adds it)
-- grain: circuit_id, local_date
-- ops [operations]; mech_used, elec_used, used [1]. Counting goes on from the day before the first day asked
-- for, where that counted from the same date, and else over all of circuit_day.
-- Damage is summed in whole 1e-14, so that a sum taken in steps equals one taken at once.
-- elec_life(I) = elec_life_ops x (elec_life_a / I)^k, no more than mech_life_ops (linear damage, Palmgren-Miner).
WITH asked AS (
    SELECT
        c.site_id,
        c.circuit_id,
        c.local_date,
        b.wear_from,
        c.mech_life_ops,
        CASE
            WHEN c.elec_life_ops * c.elec_life_a * c.load_a > 0
                THEN least(c.elec_life_ops * pow(c.elec_life_a / c.load_a, $exponent), c.mech_life_ops)
        END AS elec_life,
        c.fitted_on,
        coalesce(c.ops_at_fit, 0) AS ops_at_fit,
        (
            SELECT max(s.date) FROM service_log s
            WHERE s.circuit_id = c.circuit_id AND s.action = 'contactor_replaced' AND s.date <= c.local_date
        ) AS replaced_on
    FROM setting_day c
    JOIN bucket_site b ON b.site_id = c.site_id AND c.local_date BETWEEN b.wear_from AND b.last_date
),
based AS (
    SELECT
        *,
        coalesce(greatest(fitted_on, replaced_on), DATE '0001-01-01') AS counted_from,
        CASE WHEN replaced_on IS NOT NULL AND replaced_on >= coalesce(fitted_on, replaced_on) THEN 0 ELSE ops_at_fit END AS base
    FROM asked
),
before AS (
    SELECT w.circuit_id, w.counted_from, w.ops, w.elec_used
    FROM wear w
    JOIN bucket_site b ON b.site_id = w.site_id AND w.local_date = b.wear_from - 1
),
counted AS (
    SELECT
        a.*,
        c.starts,
        p.ops AS ops_before,
        p.elec_used AS elec_before,
        a.counted_from < a.wear_from AND p.ops IS NULL AS from_all
    FROM based a
    JOIN circuit_day c ON c.circuit_id = a.circuit_id AND c.local_date = a.local_date
    LEFT JOIN before p ON p.circuit_id = a.circuit_id AND p.counted_from = a.counted_from
),
older AS (
    SELECT k.circuit_id, k.counted_from, sum(c.starts) AS starts
    FROM (SELECT DISTINCT circuit_id, counted_from, wear_from FROM counted WHERE from_all) k
    JOIN circuit_day c ON c.circuit_id = k.circuit_id AND c.local_date >= k.counted_from AND c.local_date < k.wear_from
    GROUP BY ALL
),
summed AS (
    SELECT
        c.*,
        coalesce(c.ops_before, c.base + coalesce(o.starts, 0)) + sum(
            CASE WHEN c.local_date >= c.counted_from THEN c.starts ELSE 0 END
        ) OVER so_far AS ops,
        (
            CAST(round(coalesce(c.elec_before, (c.base + coalesce(o.starts, 0)) / c.elec_life) * 1e14) AS HUGEINT) + sum(
                CASE WHEN c.local_date >= c.counted_from THEN CAST(round(c.starts / c.elec_life * 1e14) AS HUGEINT) ELSE 0 END
            ) OVER so_far
        ) / 1e14 AS elec_used
    FROM counted c
    LEFT JOIN older o USING (circuit_id, counted_from)
    WINDOW so_far AS (
        PARTITION BY c.circuit_id, c.counted_from ORDER BY c.local_date ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW
    )
)
SELECT
    site_id,
    circuit_id,
    local_date,
    counted_from,
    ops,
    ops / mech_life_ops AS mech_used,
    CASE WHEN elec_life IS NOT NULL THEN elec_used END AS elec_used,
    greatest(ops / mech_life_ops, CASE WHEN elec_life IS NOT NULL THEN elec_used END) AS used,
    mech_life_ops,
    elec_life
FROM summed
