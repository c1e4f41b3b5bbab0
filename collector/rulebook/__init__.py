"""Rule files: what they may say, how they are read and checked, and bound to a plant."""
