"""The audited record: a hash chain with signed heads that anyone can verify without the journal."""
