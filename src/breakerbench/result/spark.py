"""The table ``spark`` of a result, and what the ring tells of the condenser in circuit."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.measure.feed import u_gain
from breakerbench.measure.spark import Found, Spark
from breakerbench.measure.spark_figures import (
    NOT_TOLD,
    burn_line,
    by_lobe,
    by_tower,
    duration,
    lobes_untold,
    unsure,
    why_no_misses,
)
from breakerbench.measure.spark_pickup import Pickup
from breakerbench.trace import Header

Ints = NDArray[np.int64]
Table = dict[str, Any]

NO_COIL = "a dry feed: there is no coil in the circuit"
NO_POINTS = "no points_v channel"
NO_LOBES = "no index or encoder tells which lobe opened the points"
NO_PICKUP = (
    "nothing tells which lobe fires tower one: clip the pickup on the lead of tower one and record it "
    "as spark"
)
PICKUP_ON_COIL = (
    "the pickup shows a pulse at each firing: clip it on the lead of tower one, to know which tower "
    "each lobe fires"
)
PICKUP_UNCLEAR = (
    "the pulses of the pickup follow no lobe: see that it sits on the lead of tower one alone, away "
    "from the others"
)
NO_ORDER = "no specification tells the firing order"
OTHER_ORDER = "the firing order has another number of cylinders than the cam has lobes"
LINE_CLIPPED = "the burn line lies beyond the range of the points voltage: take a wider one"
OFTEN = 20


def empty_spark() -> Table:
    return dict.fromkeys(
        (
            "duration_s", "u_duration_s", "misses", "burn_v", "u_burn_v", "openings", "untold",
            "range_s", "pickup",
        )
    ) | {"by_lobe": [], "by_tower": [], "by_speed": []}  # fmt: skip


def empty_ring() -> Table:
    """Keys that go into the table ``condenser``."""
    return dict.fromkeys(
        ("ring_hz", "u_ring_hz", "ring_decay", "u_ring_decay", "rise_v_per_s", "u_rise_v_per_s")
    )


def spark_tables(
    spark: Spark,
    header: Header,
    coil: bool,
    lobes: int | None,
    lobe_of: Ints | None,
    firing_order: tuple[int, ...],
    why: dict[str, str],
    no_edges: str = "",
) -> tuple[Table, Table, list[str]]:
    """Tables ``spark`` and the ring's keys of ``condenser``, and notes; reasons go to ``why``.

    coil      the points switch a coil
    lobes     of the cam (openings a revolution), None where not known
    lobe_of   lobe of each opening by its number in the trace, from 0 (lobe 1); -1 where not known
    firing_order   towers in the order of rotation, empty where no specification tells it
    no_edges  why no contact was found; empty where some were
    """
    table, ring = empty_spark(), empty_ring()
    row = header.position("points_v")
    reason = ""
    if row is None:
        reason = NO_POINTS
    elif no_edges:
        reason = no_edges
    elif not coil:
        reason = NO_COIL
    if reason or row is None:
        why["spark"] = reason
        for key in ("ring_hz", "ring_decay", "rise_v_per_s"):
            why[f"condenser.{key}"] = reason
        return table, ring, []
    found = spark.found()
    channel = header.channels[row]
    notes = _misses(table, found, spark, lobes, lobe_of, firing_order, why)
    figure = duration(found, channel)
    if figure.why:
        for key in ("duration_s", "burn_v"):
            why[f"spark.{key}"] = figure.why
    else:
        table["duration_s"], table["u_duration_s"] = figure.value_s, figure.u_s
        table["range_s"] = list(figure.range_s or ())
        for each in figure.by_speed:
            rpm = None if lobes is None else 60.0 / (each.interval_s * lobes)
            table["by_speed"].append(
                {
                    "rpm": rpm, "duration_s": each.duration_s, "u_duration_s": each.u_duration_s,
                    "openings": each.openings,
                }
            )  # fmt: skip
        line = burn_line(found, channel, u_gain(channel))
        if line is None:
            why["spark.burn_v"] = LINE_CLIPPED
        else:
            table["burn_v"], table["u_burn_v"] = line.value, line.U
    _ring(ring, found, why)
    return table, ring, notes


def _nothing_told(table: Table, why: dict[str, str]) -> list[str]:
    table |= {"misses": None, "openings": None, "by_lobe": []}
    for key in ("misses", "by_lobe", "by_tower"):
        why[f"spark.{key}"] = NOT_TOLD
    return []


def _misses(
    table: Table, found: Found, spark: Spark, lobes: int | None, lobe_of: Ints | None,
    firing_order: tuple[int, ...], why: dict[str, str],
) -> list[str]:  # fmt: skip
    pickup = spark.pulses.pickup(lobes, lobe_of)
    if pickup is not None:
        table["pickup"] = {"on": pickup.on, "sign": pickup.sign, "pulses": pickup.pulses}
    table["untold"] = found.untold
    reason, misses = why_no_misses(found), found.misses
    table["openings"] = len(found.sparks) + len(misses)
    notes = []
    if reason and pickup is not None and pickup.on == "coil lead":
        # What the points do not tell the pickup does.
        reason, misses = "", spark.pulses.without()
        table["openings"], table["untold"] = pickup.openings, 0
        notes.append(
            "Sparks were counted by the pulses of the pickup: the points do not tell them."
        )
    if reason:
        table["openings"] = None
        for key in ("misses", "by_lobe", "by_tower"):
            why[f"spark.{key}"] = reason
        return notes
    table["misses"] = len(misses)
    if OFTEN * table["untold"] > table["openings"]:
        notes.append(
            f"Openings of which it cannot be told whether there was a spark: {table['untold']}; they "
            "are not counted."
        )
    if lobes is None or lobe_of is None or not len(lobe_of):
        if 2 * len(unsure(found)) > found.tried > 0:
            return _nothing_told(table, why)
        why["spark.by_lobe"] = why["spark.by_tower"] = NO_LOBES
        return notes
    table["by_lobe"] = by_lobe(misses, lobes, lobe_of)
    for lobe in lobes_untold(found, lobes, lobe_of):
        of = found.sparks[found.sparks < len(lobe_of)]
        count = int((lobe_of[of] == lobe).sum())
        table["untold"] += count
        table["openings"] -= count
        # What was surely missed there stands; none for sure is not none.
        table["by_lobe"][lobe] = table["by_lobe"][lobe] or None
        notes.append(
            f"At lobe {lobe + 1} most openings show neither a burn line that ends nor a free ring: a "
            "spark that leaks away, or is very brief. Look at rotor, cap, tower, lead and plug there."
        )
    if not table["openings"]:
        return _nothing_told(table, why)
    reason = _no_towers(pickup, firing_order, lobes)
    if reason:
        why["spark.by_tower"] = reason
    else:
        assert pickup is not None
        assert pickup.lobe is not None
        table["by_tower"] = by_tower(table["by_lobe"], pickup.lobe, firing_order)
    return notes


def _no_towers(pickup: Pickup | None, firing_order: tuple[int, ...], lobes: int) -> str:
    """Why misses are not told by tower; empty where they are."""
    if not firing_order:
        return NO_ORDER
    if len(firing_order) != lobes or 1 not in firing_order:
        return OTHER_ORDER
    if pickup is None:
        return NO_PICKUP
    if pickup.on == "coil lead":
        return PICKUP_ON_COIL
    return "" if pickup.lobe is not None else PICKUP_UNCLEAR


def _ring(ring: Table, found: Found, why: dict[str, str]) -> None:
    if isinstance(found.ring, str):
        why["condenser.ring_hz"] = why["condenser.ring_decay"] = found.ring
    else:
        ring["ring_hz"], ring["u_ring_hz"] = found.ring.hz, found.ring.u_hz
        ring["ring_decay"], ring["u_ring_decay"] = found.ring.decay, found.ring.u_decay
    if isinstance(found.rise, str):
        why["condenser.rise_v_per_s"] = found.rise
    else:
        ring["rise_v_per_s"] = found.rise.v_per_s
        ring["u_rise_v_per_s"] = found.rise.u_v_per_s
