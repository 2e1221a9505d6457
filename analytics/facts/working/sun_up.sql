-- sun_up: half hours of the UTC clock with the sun well up at the site
-- grain: site_id, ts
CREATE OR REPLACE TEMP TABLE sun_up AS SELECT site_id, half_ts AS ts FROM sky WHERE ghi_wm2 >= 50
