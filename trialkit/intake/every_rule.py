"""All rules on readings in the order in which they are put: what one explains, the next does not say again."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from trialkit.intake import mixups, rules, series
from trialkit.intake.desk import Desk
from trialkit.intake.merge import Visits
from trialkit.intake.rows import Rows
from trialkit.records import Bin, Plan


def apply_rules(
    desk: Desk,
    plan: Plan | None,
    rows: Rows,
    day: NDArray[np.float64],
    visits: Visits,
    bins: tuple[Bin, ...],
    planned: int,
) -> None:
    """Put every rule on rows and series to the readings; what they find joins the other findings."""
    if not rows.count:
        return
    findings = desk.findings
    findings += rules.too_rich_rows(rows, plan)
    findings += rules.above_capacity(rows, bins)
    findings += rules.finished_at_start(rows, day)
    findings += rules.raters_alike(rows)
    findings += rules.carbon_against_ash(rows)
    findings += rules.ratio_against_parts(rows)
    findings += rules.warm_throughout(rows, day)
    found, suspects = series.moved_points(visits, rows)
    findings += found
    found, swapped = mixups.swapped_visits(visits, rows, suspects)
    findings += found
    suspects |= swapped
    findings += series.temperature_jumps(visits, rows, suspects)
    findings += series.colder_than_air(visits, rows, suspects)
    findings += series.rises(visits, rows, suspects)
    findings += series.mass_jumps(visits, rows, suspects)
    findings += series.falls(visits, rows, suspects)
    findings += series.finish_flips(visits, rows)
    findings += mixups.renamed_bins(visits, rows, bins, planned)
    findings += mixups.dry_mass_from_nothing(visits, rows, bins)
