"""A fit to comparisons with simultaneous intervals."""
