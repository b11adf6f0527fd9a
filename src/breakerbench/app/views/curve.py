"""The points and limits of an advance curve as they are displayed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from breakerbench.judge.tables import Advance
from breakerbench.papers.subject import Subject

Floats = NDArray[np.float64]
Limits = Sequence[tuple[float, float, float]]

WAYS = ("rising", "falling")


class Row(NamedTuple):
    """A point as it is displayed."""

    run: int
    way: str
    rpm: float
    deg: float
    u_deg: float | None


def limits_of(table: Advance | None) -> tuple[Limits, Limits]:
    if table is None:
        return (), ()
    return table.points or (), table.falling or ()


def rows_of(subject: Subject, run: int) -> list[Row]:
    found, per_rpm, per_deg = [], subject.shown.factor("rpm"), subject.shown.factor("deg")
    for way in WAYS:
        rows: Sequence[Mapping[str, Any]] = subject.get(f"advance.{way}") or ()
        for row in sorted(rows, key=lambda each: float(each["rpm"])):
            u = row.get("u_deg")
            found.append(
                Row(
                    run,
                    way,
                    row["rpm"] * per_rpm,
                    row["deg"] * per_deg,
                    None if u is None else u * per_deg,
                )
            )
    return found


def columns_of(rows: Sequence[Row], run: int, way: str) -> tuple[Floats, Floats, Floats]:
    """Speed, advance and its U (nan where not known)."""
    some = [row for row in rows if row.run == run and row.way == way]
    us = [np.nan if row.u_deg is None else row.u_deg for row in some]
    return np.array([row.rpm for row in some]), np.array([row.deg for row in some]), np.array(us)


def where_worst(subject: Subject) -> str:
    """Where on the curve the worst decision stands."""
    at = (subject.decision("advance.points") or {}).get("at")
    if at is None:
        return ""
    return f", worst at {subject.shown.speed_words(at)}"
