"""One page a visit, to be filled by pencil: a row a bin, a column a measurement, no treatments."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from html import escape

from trialkit.records import Bin

# printed headings of the template's columns: words and unit
HEADINGS: dict[str, tuple[str, str]] = {
    "core_temp_c": ("core temp.", "°C"),
    "ambient_temp_c": ("air temp.", "°C"),
    "height_cm": ("height", "cm"),
    "volume_l": ("volume", "L"),
    "wet_mass_kg": ("wet mass", "kg"),
    "moisture_pct": ("moisture", "% of wet mass"),
    "ash_pct": ("ash", "% of dry mass"),
    "carbon_pct": ("carbon", "% of dry mass"),
    "nitrogen_pct": ("nitrogen", "% of dry mass"),
    "cn_ratio": ("C:N", ""),
    "respired_c_g_kg": ("carbon respired", "g/kg since start"),
    "ph": ("pH", ""),
    "ec_ds_m": ("conductivity", "dS/m"),
    "finished": ("finished?", "yes / no"),
    "appearance_score": ("look", "0 to 5"),
    "odour_score": ("smell", "0 to 5"),
    "rater": ("rater", "initials"),
    "germination_pct": ("germination", "% of blank"),
    "seedlings_pct": ("seedlings", "% of blank"),
    "root_length_pct": ("root length", "% of blank"),
    "self_heating_rise_c": ("self-heating rise", "°C above air, in a flask"),
    "water_added_l": ("water added", "L"),
    "turned": ("turned?", "yes / no"),
    "sample_removed_kg": ("sample taken", "kg"),
    "added_wet_mass_kg": ("matter added", "kg"),
    "added_moisture_pct": ("its moisture", "% of wet mass"),
    "added_ash_pct": ("its ash", "% of dry mass"),
    "added_carbon_pct": ("its carbon", "% of dry mass"),
    "added_nitrogen_pct": ("its nitrogen", "% of dry mass"),
    "note": ("note", ""),
}


def draw_field_sheet(bins: Sequence[Bin], day: int, start: date, columns: Sequence[str], title: str) -> str:
    """The sheet of one visit. Headings carry the template's own names, so that typing in is copying."""
    on = start + timedelta(days=day)
    heads = "".join(
        f'<th scope="col" class="{"wide" if name == "note" else ""}">{escape(HEADINGS[name][0])}'
        f'<span class="unit">{escape(HEADINGS[name][1])}</span><code>{escape(name).replace("_", "_<wbr>")}</code></th>'
        for name in columns
    )
    cells = "<td></td>" * len(columns)
    rows = "".join(
        f'<tr><th scope="row">{escape(bin_.bin)}</th><td class="code">{escape(bin_.code or "")}</td>{cells}</tr>'
        for bin_ in bins
    )
    return (
        f'<header><h2>Day {day}: {_long_date(on)}</h2><p class="small">{escape(title)}</p></header>'
        '<p class="signing">Date of the visit <span></span> Time <span></span> Readers <span></span> '
        "Weather <span></span>"
        "</p>"
        '<table class="field"><thead><tr><th scope="col" class="narrow">bin</th><th scope="col" '
        f'class="narrow">code</th>{heads}</tr></thead>'
        f"<tbody>{rows}</tbody></table>"
        '<p class="small">Leave a cell empty where nothing was measured, and say why in the note; 0 means '
        "a measured zero. "
        "Read temperature before turning. Came another day? Write the true date and type the true day.</p>"
    )


def _long_date(on: date) -> str:
    return f"{on:%A}, {on.day} {on:%B} {on.year}"
