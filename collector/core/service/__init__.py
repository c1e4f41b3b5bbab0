"""Service: what is due by use, calendar or condition, and when that will be."""
