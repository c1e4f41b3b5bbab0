"""What people read, made from the journal."""
