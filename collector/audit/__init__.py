"""The audited record: hash chain, signed heads, verification, exports."""
