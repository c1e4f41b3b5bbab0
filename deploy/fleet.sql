-- Volumes and run hours by plant and day, from the Parquet files of many plants in one folder:
--   weirkeeper export --format parquet --out fleet      (for each plant)
--   duckdb -c ".read deploy/fleet.sql"                  (beside the folder "fleet")
-- Of several totals of one day the newest counts; days with gaps are uncertain and say how much.
WITH counted AS (
    SELECT *, row_number() OVER (
        PARTITION BY plant, journal, subject, begin_utc ORDER BY sequence DESC) AS newest
    FROM read_parquet('fleet/plant=*/month=*/*.parquet', hive_partitioning = true)
    WHERE kind = 'total' AND name IN ('volume_pumped.day', 'run_hours.day')
)
SELECT plant,
       begin_utc AS day_begins,
       owner AS equipment,
       split_part(name, '.', 1) AS quantity,
       value, low, high, unit,
       quality,
       reason
FROM counted
WHERE newest = 1
ORDER BY plant, day_begins, equipment, quantity;
