"""Cam, rubbing block and contact gap: one geometry from which both gap and dwell follow.

A lobe lifts the rubbing block by ``lift_mm / 2 * (1 + cos(pi * phi / half_width_deg))`` at the
angle ``phi`` from its middle (simple harmonic motion, a cam law of the textbooks), and by nothing
beyond ``half_width_deg``. Lifts are those of the contact: the lever of the arm and the radius of
the block are already in them. With the block on the peak the contact stands open by ``gap_mm``, so
it is open wherever the block lies less than ``gap_mm`` below the peak. From that

    half_open_deg = half_width_deg / pi * acos(1 - 2 * gap_mm / lift_mm)
    dwell_deg     = pitch_deg - 2 * half_open_deg

A wider gap opens earlier and closes later: it takes dwell away on both flanks alike.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

#: Phase of the harmonic flank where the contact works on a cam made by ``cam_for``, rad. Some way
#: below mid-flank: dwell then changes by about 50 deg per mm on four lobes at a common gap.
WORKING_PHASE_RAD = 2.11

#: The steepness of a flank counts as no less than this share of its steepest, so that play on the
#: foot or the nose of a lobe moves an edge by a finite angle.
_LEAST_STEEPNESS = 0.2


@dataclass(frozen=True, slots=True)
class Cam:
    """The cam and where it sits on the shaft.

    lobes             number of lobes, 1 to 12
    lift_mm           full lift of a lobe
    half_width_deg    angle from the peak of a lobe to its foot
    gap_mm            contact gap with the block on the peak of a lobe without error
    first_centre_deg  shaft angle of the middle of lobe 1, advance and errors left out; a change of
                      gap leaves it where it is
    nominal_deg       intended opening angles, starting with 0; empty: evenly spaced
    angle_error_deg   how late each lobe was ground, per lobe; empty: none
    lift_error_mm     how much higher each lobe is than ``lift_mm``, per lobe; empty: none
    radius_mm         distance of the rubbing block from the axis, for eccentricity
    """

    lobes: int
    lift_mm: float
    half_width_deg: float
    gap_mm: float
    first_centre_deg: float = 39.0
    nominal_deg: tuple[float, ...] = ()
    angle_error_deg: tuple[float, ...] = ()
    lift_error_mm: tuple[float, ...] = ()
    radius_mm: float = 12.0

    def __post_init__(self) -> None:
        if not 1 <= self.lobes <= 12:
            raise ValueError(f"a cam has 1 to 12 lobes, not {self.lobes}")
        if self.lift_mm <= 0 or self.half_width_deg <= 0:
            raise ValueError("lift_mm and half_width_deg must be positive")
        for name in ("nominal_deg", "angle_error_deg", "lift_error_mm"):
            values = getattr(self, name)
            if values and len(values) != self.lobes:
                raise ValueError(f"{name} needs {self.lobes} values, has {len(values)}")
        if self.nominal_deg and self.nominal_deg[0] != 0.0:
            raise ValueError("nominal_deg must start with 0")
        if np.any(self.pitches_deg < 2.0 * self.half_width_deg - 1e-9):
            raise ValueError("lobes overlap: half_width_deg is more than half a pitch")

    @property
    def pitch_deg(self) -> float:
        return 360.0 / self.lobes

    @property
    def openings_deg(self) -> NDArray[np.float64]:
        """Intended opening angles from 0, deg, per lobe."""
        if self.nominal_deg:
            return np.array(self.nominal_deg, np.float64)
        return np.arange(float(self.lobes)) * self.pitch_deg

    @property
    def pitches_deg(self) -> NDArray[np.float64]:
        """Intended angle from each lobe to the next, deg."""
        pitches: NDArray[np.float64] = np.diff(np.append(self.openings_deg, [360.0]))
        return pitches

    @property
    def centres_deg(self) -> NDArray[np.float64]:
        """Shaft angle of the middle of each lobe, errors of angle in, advance left out, deg."""
        late = np.array(self.angle_error_deg) if self.angle_error_deg else 0.0
        centres: NDArray[np.float64] = self.first_centre_deg + self.openings_deg + late
        return centres

    @property
    def lift_errors_mm(self) -> NDArray[np.float64]:
        return np.array(self.lift_error_mm) if self.lift_error_mm else np.zeros(self.lobes)

    def half_open_deg(self, gap_mm: float) -> float:
        """Angle from the middle of a faultless lobe to where the contact works, deg."""
        return float(half_open_deg(self, np.array(gap_mm), np.zeros(())))

    def dwell_deg(self, gap_mm: float | None = None) -> float:
        """Mean dwell of the faultless cam at a gap, by default its own, deg."""
        gap = self.gap_mm if gap_mm is None else gap_mm
        return self.pitch_deg - 2.0 * self.half_open_deg(gap)

    def dwell_change_deg_per_mm(self) -> float:
        """Change of dwell with the gap at the present gap, deg/mm (negative)."""
        phase = self.half_open_deg(self.gap_mm) * math.pi / self.half_width_deg
        return -4.0 * self.half_width_deg / (math.pi * self.lift_mm * math.sin(phase))

    def gap_for_dwell_mm(self, dwell_deg: float) -> float:
        """Gap that gives a mean dwell on the faultless cam, mm."""
        half_open = (self.pitch_deg - dwell_deg) / 2.0
        if not 0.0 <= half_open <= self.half_width_deg:
            raise ValueError(f"no gap gives {dwell_deg} deg of dwell on this cam")
        phase = math.pi * half_open / self.half_width_deg
        return self.lift_mm / 2.0 * (1.0 - math.cos(phase))


def half_open_deg(
    cam: Cam, gap_mm: NDArray[np.float64], lift_error_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Angle from the middle of a lobe to where the contact works, deg; arrays broadcast.

    NaN where the lobe never opens the contact (gap nothing or less) and infinite where the contact
    never closes at the foot of it (gap as much as the lift, or more).
    """
    drop = gap_mm + lift_error_mm
    lift = cam.lift_mm + lift_error_mm
    safe = np.where(lift > 0.0, lift, 1.0)
    half = cam.half_width_deg / np.pi * np.arccos(np.clip(1.0 - 2.0 * drop / safe, -1.0, 1.0))
    half = np.where(gap_mm >= cam.lift_mm, np.inf, half)
    result: NDArray[np.float64] = np.where((drop <= 0.0) | (lift <= 0.0), np.nan, half)
    return result


def shift_deg_per_mm(cam: Cam, half_open: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far an edge moves with the height of the rubbing block, deg/mm, positive."""
    phase = np.pi * np.where(np.isfinite(half_open), half_open, 0.0) / cam.half_width_deg
    steepness = np.maximum(np.sin(phase), _LEAST_STEEPNESS)
    per_mm: NDArray[np.float64] = 2.0 * cam.half_width_deg / (np.pi * cam.lift_mm * steepness)
    return per_mm


def cam_for(
    lobes: int,
    dwell_deg: float,
    gap_mm: float,
    first_opening_deg: float = 20.0,
    nominal_deg: tuple[float, ...] = (),
) -> Cam:
    """A cam that gives a mean dwell at a gap, worked part-way down its flanks by the contact.

    first_opening_deg  shaft angle at which lobe 1 then opens, advance left out
    """
    half_open = (360.0 / lobes - dwell_deg) / 2.0
    return Cam(
        lobes=lobes,
        lift_mm=2.0 * gap_mm / (1.0 - math.cos(WORKING_PHASE_RAD)),
        half_width_deg=half_open * math.pi / WORKING_PHASE_RAD,
        gap_mm=gap_mm,
        first_centre_deg=first_opening_deg + half_open,
        nominal_deg=nominal_deg,
    )


def mirrored(cam: Cam) -> Cam:
    """The cam as it comes by when it is turned the other way: lobe 1, the last, the one before."""

    def turned(values: tuple[float, ...]) -> tuple[float, ...]:
        return (*values[:1], *values[:0:-1])

    return replace(
        cam,
        first_centre_deg=-cam.first_centre_deg % 360.0,
        nominal_deg=tuple(-deg % 360.0 for deg in turned(cam.nominal_deg)),
        angle_error_deg=tuple(-deg for deg in turned(cam.angle_error_deg)),
        lift_error_mm=turned(cam.lift_error_mm),
    )
