"""The electrical half of a run: collects what each opening shows, and makes the tables of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.cycles import Cycles, Takes
from breakerbench.edges.events import Openings
from breakerbench.edges.run import EdgeRun
from breakerbench.measure.closings import Closings
from breakerbench.measure.intervals import Intervals
from breakerbench.measure.lobe_of import lobe_of_opening
from breakerbench.measure.ring import compare_rings
from breakerbench.measure.spark import Spark
from breakerbench.result.electrical import electrical_tables
from breakerbench.result.empty import blank, empty_in_circuit
from breakerbench.result.spark import spark_tables
from breakerbench.trace import Header

Ints = NDArray[np.int64]

#: Tables of a run that are not made of a trace that was recorded for the coil.
TIMED = ("speed", "dwell", "spacing", "scatter", "bounce", "missed", "advance", "vacuum", "sets")
ELECTRICAL = ("contact", "coil", "spark")
IN_CIRCUIT = (
    "in circuit its ring and rise show change alone: measure the condenser by itself, through a resistor "
    "(--kind condenser)"
)
NO_PULSES = "no pickup on a spark lead shows which way the sparks go (channel spark)"
NO_SENSE = (
    "nobody told which way the pickup's pulses go with a coil that is connected right (--right-pulse): "
    "clip it on, unchanged, where a coil is known to be right"
)
NOT_IN_BOTH = "not measured in both recordings"
NO_REFERENCE = "no reference recording was given (--reference)"
FOR_THE_COIL = "recorded for the coil (--kind coil): the distributor is not timed"


def for_the_coil(result: dict[str, Any]) -> None:
    """Take out of a result what is not told of a trace that was recorded for the coil."""
    why = result["why"]
    for name in TIMED:
        result[name] = blank(result[name])
        for key in [key for key in why if key.partition(".")[0] == name]:
            del why[key]
        why[name] = FOR_THE_COIL
    result["decisions"] = [
        one for one in result["decisions"] if one["what"].partition(".")[0] in ELECTRICAL
    ]


def against_reference(result: dict[str, Any], then: dict[str, Any]) -> None:
    """Put into a result how the ring has changed since a reference recording's."""
    changes, why = compare_rings(result, then), result["why"]
    result["condenser"] |= changes
    for key in ("ring_change", "rise_change"):
        why.pop(f"condenser.{key}", None)
        if changes[key] is None:
            why[f"condenser.{key}"] = NOT_IN_BOTH


def _coil_polarity(
    pickup: dict[str, Any] | None, header: Header, coil: bool, why: dict[str, str]
) -> str | None:
    """Is the coil connected the right way round, by the way the pulses of the pickup go.

    Right: the plug's middle electrode negative; it then needs the lower voltage (common practice, no
    source). Which way a pickup shows that, a coil known to be right tells.
    """
    if not coil:
        return None
    if pickup is None or not pickup["sign"]:
        why["coil.polarity"] = NO_PULSES
    elif header.pickup_sense is None:
        why["coil.polarity"] = NO_SENSE
    else:
        return "right" if pickup["sign"] == header.pickup_sense else "reversed"
    return None


class Circuit:
    """Rides on an ``EdgeRun``; ``tables`` at its end. ``also``: what else takes the cycles."""

    def __init__(self, header: Header, edges: EdgeRun, also: Sequence[Takes] = ()) -> None:
        self._header = header
        self._edges = edges
        self._closings = Closings(header)
        self._intervals = Intervals(header.sample_rate_hz)
        self._spark = Spark(header)
        self._angles: list[tuple[Any, Any]] = []
        edges.cycles = Cycles(header, (self._closings, self._intervals, self._spark, *also))

    def openings(self, openings: Openings) -> None:
        """All openings of the run, in order, as their angles become known."""
        self._angles.append((openings.open_deg, openings.time_s))

    def tables(
        self, why: dict[str, str], lobes: int | None, firing_order: tuple[int, ...]
    ) -> tuple[dict[str, dict[str, Any]], list[str]]:
        """``contact``, ``coil``, ``supply``, ``spark``, ``condenser`` and notes; reasons go to ``why``.

        firing_order  towers in the order of rotation; empty where nobody told
        """
        e = self._edges
        coil = e.response is not None and e.response.coil
        tables, notes = electrical_tables(
            self._closings, self._intervals, self._header, coil, lobes, why, e.why
        )
        tables["supply"]["polarity"] = e.polarity
        if e.polarity is None:
            why["supply.polarity"] = e.why or "no working contact in the trace"
        lobe_of = self._lobe_of(lobes)
        spark, ring, more = spark_tables(
            self._spark, self._header, coil, lobes, lobe_of, firing_order, why, e.why
        )
        tables |= {"spark": spark, "condenser": empty_in_circuit() | ring}
        tables["coil"]["polarity"] = _coil_polarity(spark["pickup"], self._header, coil, why)
        why["condenser"] = IN_CIRCUIT
        for key in ("ring_change", "rise_change"):
            why[f"condenser.{key}"] = NO_REFERENCE
        return tables, notes + more

    def _lobe_of(self, lobes: int | None) -> Ints | None:
        """Lobe of each opening, 0 for lobe 1, -1 unknown; None without lobes or an index."""
        if lobes is None or not self._angles or not self._edges.has_index:
            return None
        deg, time_s = (np.concatenate([part[k] for part in self._angles]) for k in (0, 1))
        return lobe_of_opening(deg, time_s, lobes)
