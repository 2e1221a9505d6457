-- setting_day: each circuit's settings on each local day, one row even where no registry row holds
-- grain: circuit_id, local_date
-- valid_to is the last day of a row; of several rows that hold, the one that began last is used.
CREATE OR REPLACE TEMP TABLE setting_day AS
SELECT
    d.site_id,
    d.local_date,
    k.circuit_id,
    coalesce(c.controller_id, k.controller_id) AS controller_id,
    c.appliance,
    c.rated_w,
    c.load_a,
    c.mech_life_ops,
    c.elec_life_ops,
    c.elec_life_a,
    c.fitted_on,
    c.ops_at_fit,
    c.min_run_s,
    c.min_rest_s,
    c.surplus_on_w,
    c.surplus_off_w,
    c.shed_when_islanded
FROM day d
JOIN bucket_site b ON b.site_id = d.site_id AND d.local_date BETWEEN b.events_from - 1 AND b.last_date + 1
JOIN bucket_circuit k ON k.site_id = d.site_id
LEFT JOIN circuit c
    ON c.circuit_id = k.circuit_id
    AND (c.valid_from IS NULL OR c.valid_from <= d.local_date)
    AND (c.valid_to IS NULL OR c.valid_to >= d.local_date)
QUALIFY row_number() OVER (
    PARTITION BY k.circuit_id, d.local_date ORDER BY c.valid_from DESC NULLS LAST
) = 1
