"""The adjustment record: what was planned, measured, built, tested and accepted, structure by structure."""
