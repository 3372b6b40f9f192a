"""All outcomes that can be measured, by name."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from trialkit.outcome_names import OUTCOMES
from trialkit.outcomes.chemistry import CHEMISTRY
from trialkit.outcomes.decay import DECAY
from trialkit.outcomes.family import Measure
from trialkit.outcomes.finish import FINISH
from trialkit.outcomes.finish_rule import FINISH_TIME
from trialkit.outcomes.heat import HEAT
from trialkit.outcomes.losses import LOSSES
from trialkit.outcomes.mass import MASS
from trialkit.outcomes.thresholds import THRESHOLD
from trialkit.records import Outcome

_ALL = (*DECAY, *THRESHOLD, *FINISH_TIME, *MASS, *LOSSES, *CHEMISTRY, *HEAT, *FINISH)
_FOUND = {measure.outcome.name: measure for measure in _ALL}
MEASURES: Mapping[str, Measure] = MappingProxyType({name: _FOUND[name] for name in OUTCOMES if name in _FOUND})


def catalogue() -> Mapping[str, Outcome]:
    """Every outcome by name: label, unit, scale, direction, what it measures, when it applies, what it cannot tell."""
    return MappingProxyType({name: measure.outcome for name, measure in MEASURES.items()})
