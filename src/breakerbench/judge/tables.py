"""The tables of a specification file: one frozen dataclass each, attributes named as the keys.

Every key carries its own check in the field's metadata: type, range for its unit, mend.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from breakerbench.judge.values import (
    Band,
    Check,
    Choice,
    ListOf,
    Number,
    Span,
    Text,
    Whole,
    either,
    instead,
)

_DEG = Number("deg", 0.0, 360.0)
_LIMIT_DEG = Number("deg", 0.0, 90.0, open_below=True)
_RPM = Number("rpm", 0.0, 10000.0)
_ADVANCE_DEG = Number("deg", -20.0, 60.0)
_OHM = Number("ohm", 0.0, 100.0)
_AMPERE = Number("A", 0.0, 30.0, instead("milliampere", 1e-3, 0.0, 30.0))


def _key(check: Check) -> Any:
    """An optional key with its check."""
    return field(default=None, metadata={"check": check})


def _required(check: Check) -> Any:
    return field(metadata={"check": check})


@dataclass(frozen=True, slots=True)
class Distributor:
    """Table ``[distributor]``. Angles are distributor degrees, cap end view."""

    name: str = _required(Text(200))
    lobes: int = _required(Whole(1, 12))
    source: str = _required(Text(2000))
    rotation: str | None = _key(Choice(("cw", "ccw")))
    firing_order: tuple[int, ...] | None = _key(ListOf(Whole(1, 24), 24, "[1, 2, 4, 3]"))
    nominal_deg: tuple[float, ...] | None = _key(ListOf(_DEG, 12, "[0, 90, 180, 270]"))
    points_sets: int = field(default=1, metadata={"check": Whole(1, 2)})

    @property
    def pitch_deg(self) -> float:
        """360 degrees over the lobes: what dwell percent counts against."""
        return 360.0 / self.lobes

    @property
    def grid_deg(self) -> tuple[float, ...]:
        """Nominal opening angles of the lobes, even where the file does not state them."""
        if self.nominal_deg is not None:
            return self.nominal_deg
        return tuple(lobe * self.pitch_deg for lobe in range(self.lobes))


@dataclass(frozen=True, slots=True)
class Dwell:
    """Of one set of points; ``both_...``: of two sets together. The variation holds for either."""

    min_deg: float | None = _key(_DEG)
    max_deg: float | None = _key(_DEG)
    aim_deg: float | None = _key(_DEG)
    max_variation_deg: float | None = _key(_LIMIT_DEG)
    both_min_deg: float | None = _key(_DEG)
    both_max_deg: float | None = _key(_DEG)


@dataclass(frozen=True, slots=True)
class Gap:
    nominal_mm: float | None = _key(
        Number(
            "mm",
            0.1,
            2.0,
            either(
                instead("thousandths of an inch", 0.0254, 0.1, 2.0),
                instead("inches", 25.4, 0.1, 2.0),
            ),
        )
    )
    dwell_change_deg_per_mm: float | None = _key(
        Number("deg per mm", -1000.0, -0.1, lambda _: "a wider gap shortens the dwell: write minus")
    )


@dataclass(frozen=True, slots=True)
class Spacing:
    max_error_deg: float | None = _key(_LIMIT_DEG)
    max_interval_error_deg: float | None = _key(_LIMIT_DEG)


@dataclass(frozen=True, slots=True)
class Scatter:
    max_deg: float | None = _key(_LIMIT_DEG)


@dataclass(frozen=True, slots=True)
class Bounce:
    settle_deg: float | None = _key(_LIMIT_DEG)
    none_below_rpm: float | None = _key(_RPM)


@dataclass(frozen=True, slots=True)
class Advance:
    """Rows of ``points`` and ``falling``: rpm, lowest deg, highest deg; straight between rows."""

    points: tuple[tuple[float, float, float], ...] | None = _key(Band(_RPM, _ADVANCE_DEG))
    falling: tuple[tuple[float, float, float], ...] | None = _key(Band(_RPM, _ADVANCE_DEG))
    max_hysteresis_deg: float | None = _key(_LIMIT_DEG)


@dataclass(frozen=True, slots=True)
class Vacuum:
    """Rows of ``points``: kPa below the air outside, lowest deg, highest deg."""

    points: tuple[tuple[float, float, float], ...] | None = _key(
        Band(
            Number("kPa", 0.0, 101.0, instead("millimetres of mercury", 0.133322, 0.0, 101.0)),
            _ADVANCE_DEG,
        )
    )


@dataclass(frozen=True, slots=True)
class Contact:
    max_drop_v: float | None = _key(
        Number("V", 0.0, 3.0, instead("millivolt", 1e-3, 0.0, 3.0), open_below=True)
    )
    at_current_a: float | None = _key(
        Number("A", 0.0, 30.0, instead("milliampere", 1e-3, 0.0, 30.0), open_below=True)
    )


@dataclass(frozen=True, slots=True)
class Coil:
    supply_v: float | None = _key(Number("V", 3.0, 40.0))
    resistance_ohm: tuple[float, float] | None = _key(Span(_OHM))
    at_temperature_c: float | None = _key(Number("degrees Celsius", -40.0, 150.0))
    ballast_ohm: tuple[float, float] | None = _key(Span(_OHM))
    current_a: tuple[float, float] | None = _key(Span(_AMPERE))


@dataclass(frozen=True, slots=True)
class Condenser:
    capacitance_uf: tuple[float, float] | None = _key(
        Span(
            Number(
                "microfarad",
                0.001,
                20.0,
                either(instead("nanofarad", 1e-3, 0.001, 20.0), instead("farad", 1e6, 0.001, 20.0)),
            )
        )
    )
    min_leakage_megohm: float | None = _key(
        Number("megohm", 0.0, 1e5, instead("ohm", 1e-6, 0.0, 1e5), open_below=True)
    )


@dataclass(frozen=True, slots=True)
class Spark:
    min_duration_ms: float | None = _key(
        Number(
            "ms",
            0.01,
            20.0,
            either(instead("microseconds", 1e-3, 0.01, 20.0), instead("seconds", 1e3, 0.01, 20.0)),
        )
    )
    gap_mm: float | None = _key(Number("mm", 0.1, 50.0))


@dataclass(frozen=True, slots=True)
class Specification:
    """A specification file, checked. Tables that the file leaves out are None: not judged."""

    distributor: Distributor
    dwell: Dwell | None = None
    gap: Gap | None = None
    spacing: Spacing | None = None
    scatter: Scatter | None = None
    bounce: Bounce | None = None
    advance: Advance | None = None
    vacuum: Vacuum | None = None
    contact: Contact | None = None
    coil: Coil | None = None
    condenser: Condenser | None = None
    spark: Spark | None = None
    warnings: tuple[str, ...] = ()


#: Table name to its dataclass, in the order of the file.
TABLES: Mapping[str, type] = {
    "distributor": Distributor,
    "dwell": Dwell,
    "gap": Gap,
    "spacing": Spacing,
    "scatter": Scatter,
    "bounce": Bounce,
    "advance": Advance,
    "vacuum": Vacuum,
    "contact": Contact,
    "coil": Coil,
    "condenser": Condenser,
    "spark": Spark,
}
