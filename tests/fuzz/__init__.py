"""Everything that takes bytes from outside, fed with damaged ones from a seed.

``python -m tests.fuzz 1000000`` runs long, ``test_fuzz.py`` a little of each. The seeds are the
corpus: a case that once failed stands as a test of its own, with what it was.
"""
