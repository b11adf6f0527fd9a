"""A handbook's figures as the specification wants them: distributor degrees and rpm, mm, kPa.

Pure functions. What a handbook states for the crankshaft or the engine is twice the distributor's:
TM 10-3930-644-14&P, the distributor turns at half crankshaft speed (four-stroke).
"""

from __future__ import annotations

from collections.abc import Mapping

from breakerbench.tools.gap import MM_PER_INCH

CRANKSHAFT_TURNS = 2.0
"""Turns of the crankshaft for one of the distributor, four-stroke."""

#: kPa of one unit. Conventional inch and millimetre of mercury: NIST SP 811 (2008), appendix B.8.
KPA: Mapping[str, float] = {"kPa": 1.0, "inHg": 3.386389, "mbar": 0.1, "mmHg": 0.1333224}

#: mm of one unit; the inch is 25.4 mm exactly.
MM: Mapping[str, float] = {"mm": 1.0, "in": MM_PER_INCH, "thou": MM_PER_INCH / 1000.0}

#: Turns of the named shaft for one of the distributor.
SHAFTS: Mapping[str, float] = {
    "distributor": 1.0,
    "crankshaft": CRANKSHAFT_TURNS,
    "engine": CRANKSHAFT_TURNS,
}


def tidy(value: float) -> float:
    """Without the last digits of binary arithmetic: ten figures, 49.5 and not 49.50000000000001."""
    return float(f"{value:.10g}")


def of_distributor(value: float, shaft: str) -> float:
    """Degrees or rpm of ``shaft`` as those of the distributor. Raises KeyError: no such shaft."""
    return tidy(value / SHAFTS[shaft])


def to_kpa(value: float, unit: str) -> float:
    """A vacuum in kPa. Raises KeyError where the unit is none of ``KPA``."""
    return tidy(value * KPA[unit])


def to_mm(value: float, unit: str) -> float:
    """A length in mm. Raises KeyError where the unit is none of ``MM``."""
    return tidy(value * MM[unit])


def dwell_of_percent(percent: float, lobes: int) -> float:
    """Dwell in distributor degrees from percent of the 360 / lobes degrees of one lobe."""
    return tidy(percent / 100.0 * 360.0 / lobes)


def dwell_change_deg_per_mm(less_deg: float, wider_mm: float) -> float:
    """Change of dwell for a wider gap, negative, from how much less a gap wider by so much gives."""
    return tidy(-less_deg / wider_mm)


def alone(deg: float, *already_in_deg: float, shaft: str = "distributor") -> float:
    """One advance alone, in distributor degrees: what else is in the figure taken off.

    deg             as the table states it, degrees of ``shaft``
    already_in_deg  static timing, vacuum advance, ... that the figure holds too, same degrees
    """
    return of_distributor(deg - sum(already_in_deg), shaft)
