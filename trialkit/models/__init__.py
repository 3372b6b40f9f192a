"""Layout and bin values to a fit, or a refusal."""
