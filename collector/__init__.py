"""Collects, keeps and explains what the panels of small sewage treatment plants report."""

__version__ = "0.1.0"
