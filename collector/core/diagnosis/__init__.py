"""Diagnoses in words: what is wrong, since when, by what evidence, and what to look at first.

Each diagnosis is a claim that has to hold for some time without a gap (``standing.py``). What is
not known never raises one. The thresholds stand in ``limits.py``, the cautions in ``wording.py``.
"""
