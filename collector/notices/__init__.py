"""Notices on their way to people: settings, mail and other ways, the outlet."""
