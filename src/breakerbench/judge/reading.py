"""How a rule reads its figure from a result and its limit from a specification."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from breakerbench.judge.tables import Specification


@dataclass(frozen=True, slots=True)
class Case:
    """One figure with its limits, ready to be compared.

    what, unit  given where they differ from the rule's
    verdict     given where the comparison is not of value and limits (bounce that never began)
    at, at_unit where on a curve it is judged ("rpm", "kPa"); None for a single figure
    settle      given where something else settles this case than the rule says
    """

    value: float | None
    u: float | None
    low: float | None
    high: float | None
    what: str = ""
    unit: str = ""
    why: str = ""
    settle: str = ""
    verdict: str = ""
    at: float | None = None
    at_unit: str = ""


def number(value: object) -> float | None:
    """A finite number, or None for anything else."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) else None


class Result:
    """A result mapping, read by path; what is missing, null or not finite reads as None."""

    def __init__(self, mapping: Mapping[str, Any]) -> None:
        self.mapping = mapping

    def get(self, path: str) -> Any:
        found: Any = self.mapping
        for part in path.split("."):
            found = found.get(part) if isinstance(found, Mapping) else None
        return found

    def number(self, path: str) -> float | None:
        return number(self.get(path))

    def numbers(self, path: str) -> list[float]:
        found = self.get(path)
        if not isinstance(found, Sequence) or isinstance(found, str):
            return []
        return [each for value in found if (each := number(value)) is not None]

    def points(self, path: str, x: str) -> list[tuple[float, float, float | None]]:
        """Rows of a curve: (x, deg, U), those without an x or an angle left out."""
        found = self.get(path)
        rows = found if isinstance(found, Sequence) and not isinstance(found, str) else ()
        read = [
            (number(row.get(x)), number(row.get("deg")), number(row.get("u_deg")))
            for row in rows
            if isinstance(row, Mapping)
        ]
        return [(at, deg, u) for at, deg, u in read if at is not None and deg is not None]

    def why(self, what: str) -> str:
        """The reason given for a missing figure: that of the figure itself, or of its table."""
        reasons = self.get("why")
        if isinstance(reasons, Mapping):
            path = what
            while path:
                if reasons.get(path):
                    return str(reasons[path])
                path = path.rpartition(".")[0]
        return "this recording does not hold it"

    @property
    def has_encoder(self) -> bool:
        return "encoder" in str(self.get("trace.reference") or "")


Cases = Callable[[Result, Specification], Iterator[Case]]


@dataclass(frozen=True, slots=True)
class Rule:
    """What one limit is held against.

    what          path of the figure in the result
    cases         the figure with its limits; nothing where the specification does not limit it
    settles       what would settle a case that is too close to call
    encoder_helps an encoder would narrow the uncertainty; said first where there is none
    reasons       path whose reason tells why it was not measured, where that is not ``what``
    """

    what: str
    unit: str
    cases: Cases
    settles: str
    encoder_helps: bool = False
    reasons: str = ""

    def settle(self, result: Result) -> str:
        if self.encoder_helps and not result.has_encoder:
            return f"an encoder on the drive shaft, or {self.settles}"
        return self.settles


def stated(table: object, key: str) -> Any:
    """A key of an optional table of the specification; None where either is missing."""
    return getattr(table, key) if table is not None else None


def ends(band: tuple[float, float] | None, scale: float = 1.0) -> tuple[float, float]:
    assert band is not None
    return band[0] * scale, band[1] * scale


# --- one figure, one limit --------------------------------------------------------------------


def at_most(table: str, key: str, value: str, u: str) -> Cases:
    """The figure at path ``value`` against an upper limit."""

    def cases(result: Result, spec: Specification) -> Iterator[Case]:
        high = stated(getattr(spec, table), key)
        if high is not None:
            yield Case(result.number(value), result.number(u), None, high)

    return cases


def at_least(table: str, key: str, value: str, u: str, scale: float) -> Cases:
    """The figure at path ``value`` against a lower limit, brought to its unit by ``scale``."""

    def cases(result: Result, spec: Specification) -> Iterator[Case]:
        low = stated(getattr(spec, table), key)
        if low is not None:
            yield Case(result.number(value), result.number(u), low * scale, None)

    return cases


def within(table: str, key: str, value: str, u: str, scale: float = 1.0) -> Cases:
    """The figure at path ``value`` against a span, brought to its unit by ``scale``."""

    def cases(result: Result, spec: Specification) -> Iterator[Case]:
        band = stated(getattr(spec, table), key)
        if band is not None:
            yield Case(result.number(value), result.number(u), *ends(band, scale))

    return cases
