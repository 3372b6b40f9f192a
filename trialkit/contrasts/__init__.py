"""A fit to comparisons with simultaneous intervals.

``compare(fit)`` all comparisons the plan asks for, ``compare_pair`` one of them (or one more), ``compare_level`` one
treatment by itself, ``adjust_secondary`` Holm over the secondary outcomes.
"""

from trialkit.contrasts.compare import compare, compare_pair
from trialkit.contrasts.level import compare_level
from trialkit.contrasts.secondary import adjust_secondary

__all__ = ["adjust_secondary", "compare", "compare_level", "compare_pair"]
