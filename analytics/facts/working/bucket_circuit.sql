-- bucket_circuit: the circuits of the bucket's sites, by their newest registry row
-- grain: circuit_id
CREATE OR REPLACE TEMP TABLE bucket_circuit AS
SELECT c.circuit_id, c.site_id, c.controller_id FROM circuit c JOIN zone_site z USING (site_id)
QUALIFY row_number() OVER (PARTITION BY c.circuit_id ORDER BY c.valid_from DESC NULLS LAST) = 1
