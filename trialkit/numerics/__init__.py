"""The quiet room: arrays in, frozen records out; numpy and scipy only."""

# A function that bears its module's name: bound here, so that the name means the function from the start.
from trialkit.numerics.many_responses import many_responses

__all__ = ["many_responses"]
