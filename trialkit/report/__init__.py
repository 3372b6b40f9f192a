"""The front desk: the only room that draws, rounds and makes sentences."""
