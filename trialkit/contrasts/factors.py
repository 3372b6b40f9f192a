"""What each factor does averaged over the others, and how factors act together, as comparisons of their levels."""

from __future__ import annotations

from trialkit.contrasts.compare import comparisons_of
from trialkit.contrasts.families import made_family
from trialkit.records import Comparison, Fit, Refusal


def compare_factors(fit: Fit | Refusal) -> tuple[Comparison | Refusal, ...]:
    """Main effects, then interactions; empty where the treatments are no factors crossed completely.

    A main effect compares a level with the control's ("carrier: with" ÷ "carrier: without"), averaged equally over the
    other factors; an interaction compares the effect of one factor at both levels of another ("effect of carrier at
    culture: with" ÷ "… without"). Every effect answers a question of its own and is not adjusted for the others; where
    a factor has several levels beside the control's, their intervals hold together. A term that these bins cannot
    tell is a Refusal with the name of the term as ``treatment``.
    """
    if isinstance(fit, Refusal):
        return ()
    made: list[Comparison | Refusal] = []
    for term in fit.factor_terms:
        if term.refused:
            name = " × ".join(term.factors)
            made.append(Refusal("contrasts", (term.refused,), fit.values.outcome.name, name, None, fit.values))
            continue
        if not term.labels:
            continue
        pairs = tuple(zip(term.labels, term.against, strict=True))
        family = made_family(pairs, term.estimate, term.std_error, term.df, term.correlation)
        bins = [(int(one), int(other)) for one, other in term.bins]
        what = "average over the other factors" if len(term.factors) == 1 else "interaction"
        method = f"{fit.method}, {what}, judged by {term.stratum}"
        made += comparisons_of(fit, family, bins, [method] * len(pairs))
    return tuple(made)
