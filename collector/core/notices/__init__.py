"""Notices: who is to be told what and when, decided from the record alone."""
