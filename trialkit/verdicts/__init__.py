"""A comparison and a claim to what may be said."""
