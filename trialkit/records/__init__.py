"""The frozen records in which the rooms meet.

One row of the map per stage of the work::

    Trial -> BinValues -> Fit -> Comparison -> Verdict -> Analysis

Anything that cannot be answered travels forward as a ``Refusal``. Every record is frozen, holds tuples, plain
mappings that are never written to, or numpy arrays set read-only, and imports nothing but numpy and the standard
library. Units stand in the name where a number meets a file (``wet_mass_kg``) and in a field ``unit`` elsewhere.
"""

from trialkit.records.answered import (
    Adjustment,
    Analysis,
    Answer,
    BinValue,
    BinValues,
    Call,
    Comparison,
    CouldShow,
    CurveCheck,
    FactorTerm,
    FinishCurve,
    Fit,
    Interval,
    Kind,
    Outcome,
    Partition,
    PartitionStep,
    Refusal,
    Rerandomisation,
    Scale,
    SecondOpinion,
    Sensitivity,
    Verdict,
)
from trialkit.records.described import BinMaturity, HeatingClass, Rating
from trialkit.records.planned import (
    MATERIALS,
    Bin,
    Claim,
    Finding,
    Layout,
    Plan,
    Readings,
    Role,
    SetAside,
    Severity,
    Size,
    Source,
    Treatment,
    Trial,
    read_only,
)

__all__ = [
    "MATERIALS",
    "Adjustment",
    "Analysis",
    "Answer",
    "Bin",
    "BinMaturity",
    "BinValue",
    "BinValues",
    "Call",
    "Claim",
    "Comparison",
    "CouldShow",
    "CurveCheck",
    "FactorTerm",
    "Finding",
    "FinishCurve",
    "Fit",
    "HeatingClass",
    "Interval",
    "Kind",
    "Layout",
    "Outcome",
    "Partition",
    "PartitionStep",
    "Plan",
    "Rating",
    "Readings",
    "Refusal",
    "Rerandomisation",
    "Role",
    "Scale",
    "SecondOpinion",
    "Sensitivity",
    "SetAside",
    "Severity",
    "Size",
    "Source",
    "Treatment",
    "Trial",
    "Verdict",
    "read_only",
]
