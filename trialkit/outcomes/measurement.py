"""How well masses and moistures are read where a trial does not say, for the error of what is worked out from them."""

from __future__ import annotations

SCALE_SD_KG = 0.2  # common practice: a hanging scale on a bin of 20 to 50 kg
MOISTURE_SD_POINTS = 2.0  # common practice: one oven-dried sub-sample
SCALE_SD_SHARE = 0.05  # below 4 kg the default scale error would be more than this share, and none is assumed


def scale_error(stated: float | None, *wet_masses: float) -> float | None:
    """Standard deviation of a weighing, kg: as stated, else the default; None for bins too light for the default."""
    if stated is not None:
        return stated
    return SCALE_SD_KG if min(wet_masses) * SCALE_SD_SHARE >= SCALE_SD_KG else None
