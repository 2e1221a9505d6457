-- wall_time: the wall times that windows and prices begin or end at
-- grain: timezone, local_date, wall_start
SELECT DISTINCT timezone, local_date, wall_start FROM (
    SELECT timezone, local_date, wall_start FROM window_day
    UNION ALL SELECT timezone, end_date, wall_end FROM window_day
    UNION ALL SELECT timezone, local_date, wall_start FROM tariff_day
    UNION ALL SELECT timezone, end_date, wall_end FROM tariff_day
)
