-- island: stretches of a local day in which the home ran apart from the grid
-- grain: site_id, start
-- duration_s [s]; neighbouring islanded samples are one stretch, cut at midnight.
SELECT site_id, local_date, start, "end", epoch_us("end" - start) / 1e6 AS duration_s FROM island_part
