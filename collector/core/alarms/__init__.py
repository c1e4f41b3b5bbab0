"""Alarms: rules bound to equipment, the life of an alarm, and the desk that runs them all."""
