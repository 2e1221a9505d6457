-- wear: contactor operations against rated life, before the projection (analytics/wear.py adds it)
-- grain: circuit_id, local_date
-- ops [operations]; mech_used, elec_used, used [1]. Counting goes on from the day before the first day asked
-- for, where that counted from the same date, and else over all of circuit_day.
-- elec_life(I) = elec_life_ops x (elec_life_a / I)^k, no more than mech_life_ops (linear damage, Palmgren-Miner).
-- Damage is summed in whole 1e-14, so that a sum taken in steps equals one taken at once.
WITH asked AS (
    SELECT
        c.*,
        b.wear_from,
        coalesce(d.starts, 0) AS starts,
        CASE
            WHEN c.elec_life_ops * c.elec_life_a * c.load_a > 0
                THEN least(c.elec_life_ops * pow(c.elec_life_a / c.load_a, $exponent), c.mech_life_ops)
        END AS elec_life,
        (
            SELECT max(s.date) FROM service_log s
            WHERE s.circuit_id = c.circuit_id AND s.action = 'contactor_replaced' AND s.date <= c.local_date
        ) AS replaced_on
    FROM setting_day c
    JOIN bucket_site b ON b.site_id = c.site_id AND c.local_date BETWEEN b.wear_from AND b.last_date
    LEFT JOIN circuit_day d ON d.circuit_id = c.circuit_id AND d.local_date = c.local_date
),
summed AS (
    SELECT
        *,
        coalesce(greatest(fitted_on, replaced_on), DATE '0001-01-01') AS counted_from,
        CASE
            WHEN replaced_on > coalesce(fitted_on, DATE '0001-01-01') THEN 0
            ELSE coalesce(ops_at_fit, 0)
        END AS base,
        sum(starts) OVER so_far AS closings,
        sum(coalesce(CAST(round(starts / elec_life * 1e14) AS HUGEINT), 0)) OVER so_far AS damage
    FROM asked
    WINDOW so_far AS (PARTITION BY circuit_id ORDER BY local_date ROWS BETWEEN UNBOUNDED PRECEDING AND CURRENT ROW)
),
before AS (
    SELECT w.circuit_id, w.counted_from, w.ops, w.elec_used
    FROM wear w
    JOIN bucket_site b ON b.site_id = w.site_id AND w.local_date = b.wear_from - 1
),
begun AS (
    SELECT
        s.*,
        p.ops AS ops_before,
        CAST(round(p.elec_used * 1e14) AS HUGEINT) AS damage_before,
        coalesce(f.closings - f.starts, 0) AS closings_earlier,
        coalesce(f.damage - coalesce(CAST(round(f.starts / f.elec_life * 1e14) AS HUGEINT), 0), 0) AS damage_earlier,
        s.counted_from < s.wear_from AND (p.ops IS NULL OR (p.elec_used IS NULL AND s.elec_life IS NOT NULL)) AS from_all
    FROM summed s
    LEFT JOIN before p
        ON p.circuit_id = s.circuit_id AND p.counted_from = s.counted_from AND s.counted_from < s.wear_from
    LEFT JOIN summed f ON f.circuit_id = s.circuit_id AND f.local_date = s.counted_from
),
history AS (
    SELECT
        k.circuit_id,
        k.counted_from,
        d.starts,
        CASE
            WHEN c.elec_life_ops * c.elec_life_a * c.load_a > 0
                THEN CAST(
                    round(
                        d.starts
                        / least(c.elec_life_ops * pow(c.elec_life_a / c.load_a, $exponent), c.mech_life_ops)
                        * 1e14
                    ) AS HUGEINT
                )
        END AS damage
    FROM (SELECT DISTINCT circuit_id, counted_from, wear_from FROM begun WHERE from_all) k
    JOIN circuit_day d
        ON d.circuit_id = k.circuit_id AND d.local_date >= k.counted_from AND d.local_date < k.wear_from
    LEFT JOIN circuit c
        ON c.circuit_id = d.circuit_id
        AND (c.valid_from IS NULL OR c.valid_from <= d.local_date)
        AND (c.valid_to IS NULL OR c.valid_to >= d.local_date)
    QUALIFY row_number() OVER (
        PARTITION BY k.circuit_id, k.counted_from, d.local_date ORDER BY c.valid_from DESC NULLS LAST
    ) = 1
),
older AS (
    SELECT circuit_id, counted_from, sum(starts) AS closings, coalesce(sum(damage), 0) AS damage
    FROM history
    GROUP BY ALL
),
counted AS (
    SELECT
        b.*,
        CASE
            WHEN b.counted_from > b.local_date THEN b.base
            WHEN b.from_all OR b.ops_before IS NULL
                THEN b.base + coalesce(o.closings, 0) + b.closings - b.closings_earlier
            ELSE b.ops_before + b.closings
        END AS ops,
        CASE
            WHEN b.elec_life IS NULL THEN NULL
            WHEN b.counted_from > b.local_date THEN 0
            WHEN b.from_all OR b.damage_before IS NULL
                THEN (coalesce(o.damage, 0) + b.damage - b.damage_earlier) / 1e14
            ELSE (b.damage_before + b.damage) / 1e14
        END AS elec_used
    FROM begun b
    LEFT JOIN older o USING (circuit_id, counted_from)
)
SELECT
    site_id,
    circuit_id,
    local_date,
    counted_from,
    ops,
    ops / mech_life_ops AS mech_used,
    elec_used,
    greatest(ops / mech_life_ops, elec_used) AS used,
    mech_life_ops,
    elec_life
FROM counted
