"""The record of a month or any period: the same tables as a page to print, as CSV and as PDF."""
