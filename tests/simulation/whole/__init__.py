"""The whole daemon in a simulated world: one seed decides everything that happens to it.

The daemon is the real one, assembled by its own code. What it stands on is played: time and the
event loop (``virtual_loop``), threads (``lockstep``), the network to the panels at the level of
bytes (``wires``), the broker behind the client library's calls (``played_broker``), the store
behind the HTTP pool (``played_store``), the disk below SQLite (``played_disk``). ``seams`` puts
them in place; ``world`` lets lives begin and end; ``invariants`` says what must be so.
"""
