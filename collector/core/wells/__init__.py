"""Wells: what floats, run contacts and known volumes say of inflow, pump flow and level."""
