"""A fit to comparisons with simultaneous intervals.

``compare(fit)`` all comparisons the plan asks for, ``compare_pair`` one of them (or one more), ``compare_level`` one
treatment by itself, ``levels_of`` every one of them (times), ``compare_factors`` what each factor does and how
factors act together, ``partition`` a whole effect in its steps, ``adjust_secondary`` Holm over the secondary
outcomes, ``rerandomise`` and ``rerandomise_factors`` the layout drawn again, ``survives`` whether a verdict holds when
one thing is changed (``compare_again`` and ``compare_ratios`` give the changed answers).
"""

from trialkit.contrasts.compare import compare, compare_again, compare_pair
from trialkit.contrasts.factors import compare_factors
from trialkit.contrasts.level import compare_level
from trialkit.contrasts.other_scale import compare_ratios
from trialkit.contrasts.partition import partition
from trialkit.contrasts.rerandomise import rerandomise
from trialkit.contrasts.rerandomise_factors import rerandomise_factors
from trialkit.contrasts.secondary import adjust_secondary
from trialkit.contrasts.survives import Survival, survives
from trialkit.contrasts.times import finish_curves, levels_of

__all__ = [
    "Survival",
    "adjust_secondary",
    "compare",
    "compare_again",
    "compare_factors",
    "compare_level",
    "compare_pair",
    "compare_ratios",
    "finish_curves",
    "levels_of",
    "partition",
    "rerandomise",
    "rerandomise_factors",
    "survives",
]
