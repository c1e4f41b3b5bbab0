"""The journal's data for other programs: CSV, JSON lines and Parquet, with a data dictionary."""
