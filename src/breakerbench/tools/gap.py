"""The contact gap: how far to turn it for the dwell that is wanted."""

from __future__ import annotations

MM_PER_INCH = 25.4


def gap_change_mm(dwell_deg: float, aim_deg: float, dwell_change_deg_per_mm: float) -> float:
    """How much wider (positive) or closer the contact gap must be, mm.

    dwell_deg                measured mean dwell, distributor degrees
    aim_deg                  dwell that is wanted, distributor degrees
    dwell_change_deg_per_mm  of the specification: change of dwell for a wider gap, negative

    Straight line about the present gap: a first turn of the screw, to be measured again.
    Raises ValueError where the change is not negative: a wider gap shortens the dwell.
    """
    if not dwell_change_deg_per_mm < 0.0:
        raise ValueError("dwell_change_deg_per_mm must be negative")
    return (aim_deg - dwell_deg) / dwell_change_deg_per_mm


def inches(mm: float) -> float:
    return mm / MM_PER_INCH
