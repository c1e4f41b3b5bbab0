"""Conditions of rules: CEL over named facts, with unknown as a third truth."""
