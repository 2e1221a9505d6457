-- run: one stretch with the contactor commanded closed
-- grain: circuit_id, start
-- start, end [UTC], duration_s [s]: see ingest/schema.py
SELECT site_id, circuit_id, local_date, start, "end", duration_s, cause_on, cause_off
FROM new_run
