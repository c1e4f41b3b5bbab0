"""How fast and how small it is, as ratios over the bare library or the physical limit.

``python -m tests.bench`` runs all of it and prints one table. A module measures one thing:
``measure(quick)`` gives its lines. Everything is repeated and, where it is compared with something,
measured in turns with it in the same run, so that a busy machine touches both.
"""
