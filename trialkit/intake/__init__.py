"""The gate: the only room that opens trial files."""
