"""The page to deposit before the first bin is filled, and what later differs from it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import date
from hashlib import sha256

import numpy as np

from trialkit.numerics.interspersion import order_of_places
from trialkit.records import Bin, Claim, Plan, Trial

_BEGIN, _END = "--- statements ---", "--- end ---"


def write_registration(plan: Plan, bins: Sequence[Bin], days: Sequence[int], today: date, *, blinded: bool) -> str:
    """One page of plain text: what is asked, claimed and will be done, its SHA-256 and the date.

    In a blinded trial the allocation stands as a hash only.
    """
    told = _statements(plan, bins, days, open_allocation=not blinded)
    body = "\n".join(f"{name}: {value}" for name, value in told.items())
    return (
        "REGISTRATION OF A TRIAL\n\n"
        "Deposit this page where nobody can change it (a public registry, a letter to a third person, a mail to "
        "yourself)\nbefore the first bin is filled. The report compares the trial with it and lists every "
        "deviation.\n\n"
        f"written on: {today.isoformat()}\nsha256: {_digest(body)}\n\n{_BEGIN}\n{body}\n{_END}\n"
    )


def deviations(stub_text: str, trial: Trial) -> tuple[str, ...]:
    """Every difference between the registered page and the trial as it was analysed, one sentence each.

    ``trial`` must be unblinded for its allocation to be compared. Text that is no such page gives one sentence.
    """
    text = stub_text.replace("\r\n", "\n")
    if _BEGIN not in text or _END not in text:
        return ("The registration holds no statements between its two marks; nothing could be compared.",)
    body = text.split(_BEGIN, 1)[1].split(_END, 1)[0].strip("\n")
    stated = [line.split(":", 1)[1].strip() for line in text.splitlines() if line.startswith("sha256:")]
    found = []
    if _digest(body) not in stated:
        found.append("The registration was changed after it was written: its SHA-256 does not fit its statements.")
    registered = dict(line.split(": ", 1) for line in body.splitlines() if ": " in line)
    named = {item.name for item in trial.plan.treatments}
    blinded = bool(named) and any(bin_.treatment not in named for bin_ in trial.bins)
    planned = json.loads(f"[{registered.get('visits', '')}]")
    now = _statements(trial.plan, trial.bins, planned, open_allocation=not blinded)
    hidden = {"allocation", "allocation sha256"} if blinded else set()
    if blinded:
        found.append("The treatments are still hidden by letters; the allocation was not compared.")
    elif "allocation" not in registered:
        hidden = {"allocation"}
    for name in dict.fromkeys([*registered, *now]):
        before, after = registered.get(name), now.get(name)
        if before != after and name not in hidden:
            found.append(f"{name}: registered {_quoted(before)}, analysed {_quoted(after)}.")
    return (*found, *_visits(planned, trial), *_losses(trial))


def _statements(plan: Plan, bins: Sequence[Bin], days: Sequence[int], *, open_allocation: bool) -> dict[str, str]:
    layout = plan.layout
    told = {
        "title": plan.title,
        "question": plan.question,
        "stated on": plan.stated_on.isoformat() if plan.stated_on else "",
        "start": plan.start.isoformat() if plan.start else "",
        "control": plan.control or "",
        "comparisons": plan.comparisons,
        "primary outcome": plan.primary or "none",
        "secondary outcomes": ", ".join(plan.secondary) or "none",
        "level": f"{plan.level:g}",
    }
    told |= {
        f"measured as, {name}": ", ".join(
            f"{key} = {value}" for key, value in sorted(plan.outcome_settings[name].items())
        )
        for name in sorted(plan.outcome_settings)
        if plan.outcome_settings[name]
    }
    told |= {f"claim {number}": _claim(claim) for number, claim in enumerate(plan.claims, start=1)}
    if not plan.claims:
        told["claim"] = "none"
    for item in plan.treatments:
        amounts = ", ".join(f"{name} {value:g}" for name, value in sorted(item.amounts.items()))
        told[f"treatment {item.name}"] = f"role {item.role}" + (f"; a bin gets {amounts}" if amounts else "")
    told |= {
        "layout": layout.kind + (f", whole plots by {layout.whole_plot_factor}" if layout.whole_plot_factor else ""),
        "drawn": f"{layout.drawn}" + (f", seed {layout.seed}" if layout.seed is not None else ""),
        "redraw rule": layout.redraw_rule,
        "variances": layout.variances or "by the rule of the toolkit for this layout",
        "analysis": (
            f"one value a bin; layout taken out first; {100 * plan.level:g} % intervals, simultaneous over "
            "the treatments "
            "compared; re-randomisation of the layout drawn beside them"
        ),
        "bins": str(len(bins)),
        "visits": ", ".join(f"{day:g}" for day in days),
    }
    order = order_of_places([bin_.bin for bin_ in bins])
    allocation = "; ".join(_bin(bins[position]) for position in order)
    if open_allocation:
        told["allocation"] = allocation
    told["allocation sha256"] = _digest(allocation)
    return {name.replace(": ", " "): " ".join(value.split()) for name, value in told.items()}


def _claim(claim: Claim) -> str:
    words = f'"{claim.text}": {claim.treatment}'
    words += f" against {claim.against}" if claim.against else ""
    words += f", {claim.outcome}, {claim.size} {claim.amount:g}, family {claim.family}"
    if claim.equivalence is None:
        return f"{words}, no margin"
    return f"{words}, margin {claim.equivalence[0]:g} to {claim.equivalence[1]:g}"


def _bin(bin_: Bin) -> str:
    words = [f"{name} {value}" for name in ("block", "whole_plot", "row", "column") if (value := getattr(bin_, name))]
    return " ".join([bin_.bin, "=", bin_.treatment, *(f"({word})" for word in words)])


def _digest(text: str) -> str:
    return sha256(text.encode()).hexdigest()


def _quoted(value: str | None) -> str:
    return "nothing" if value is None else f'"{value}"'


def _visits(planned: Sequence[float], trial: Trial) -> list[str]:
    measured = np.zeros(trial.readings.day.size, dtype=bool)
    for values in trial.readings.columns.values():
        measured |= ~np.isnan(values)
    seen = {float(day) for day in trial.readings.day[measured]}
    if not seen:
        return ["No bin has been read yet."]
    found = [f"Day {day:g} was planned as a visit; no bin was read." for day in planned if float(day) not in seen]
    return found + [
        f"Day {day:g} was read and had not been planned." for day in sorted(seen - {float(d) for d in planned})
    ]


def _losses(trial: Trial) -> list[str]:
    return [
        f"Bin {bin_.bin} was lost on day {bin_.lost_on_day:g} ({bin_.lost_reason or 'no reason given'})."
        for bin_ in trial.bins
        if bin_.lost_on_day is not None
    ]
