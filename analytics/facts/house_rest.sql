-- house_rest: what a house draws while none of its switched circuits is on
-- grain: site_id, local_date
-- From the parts of the day (power_part), which come before. rest_s [s]: time in samples that no run touches; rest_w
-- [W]: mean of house_w over it. Days without such samples have no row.
SELECT
    p.site_id,
    p.local_date,
    sum(CAST(round(p.rest_s * 1e6) AS BIGINT)) / 1e6 AS rest_s,
    sum(CAST(round(p.rest_s * p.rest_w * 1e3) AS BIGINT)) / 1e3 / sum(p.rest_s) AS rest_w
FROM power_part p
SEMI JOIN wanted_day w ON w.site_id = p.site_id AND w.local_date = p.local_date
WHERE p.rest_s > 0
GROUP BY p.site_id, p.local_date
