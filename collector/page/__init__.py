"""The engineer's page: read-only, served by the daemon, made from the journal alone."""
