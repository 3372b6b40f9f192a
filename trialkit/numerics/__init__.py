"""The quiet room: arrays in, frozen records out; numpy and scipy only."""

# Functions that bear their module's name: bound here, so that the name means the function from the start.
from trialkit.numerics.censored_times import censored_times
from trialkit.numerics.many_responses import many_responses

__all__ = ["censored_times", "many_responses"]
