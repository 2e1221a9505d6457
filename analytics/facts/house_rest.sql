-- house_rest: what a house draws while none of its switched circuits is on
-- grain: site_id, local_date
-- rest_s [s]: time in samples that no run touches; rest_w [W]: mean of house_w over it. Days without such samples
-- have no row.
WITH quiet AS (
    SELECT s.site_id, s.local_date, s.house_w, epoch_us(s.end_ts - s.ts) AS cover_us
    FROM sample s
    SEMI JOIN wanted_day w ON w.site_id = s.site_id AND w.local_date = s.local_date
    ANTI JOIN on_sample o ON o.site_id = s.site_id AND o.ts = s.ts
    WHERE s.house_w IS NOT NULL AND s.end_ts > s.ts
)
SELECT
    site_id,
    local_date,
    sum(cover_us) / 1e6 AS rest_s,
    sum(CAST(round(house_w * cover_us) AS HUGEINT)) / sum(cover_us) AS rest_w
FROM quiet
GROUP BY ALL
