"""The bench: readings to one value a bin."""
