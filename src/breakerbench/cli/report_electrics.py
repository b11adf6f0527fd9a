"""The electrical figures of a result as tables for people: contact, feed, coil, spark, condenser."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from rich.console import Console

from breakerbench.cli.tables import MOST_SPEEDS, new_table, print_table
from breakerbench.papers.words import Shown, figure, missed_where

Result = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Row:
    """One figure: what it is called beside its part, its key, its unit, the key of its U."""

    what: str
    key: str
    unit: str
    u_key: str = ""


PARTS: tuple[tuple[str, tuple[Row, ...]], ...] = (
    (
        "contact",
        (
            Row("drop just before the opening", "contact.drop_v", "V", "contact.u_drop_v"),
            Row("  at a current of", "contact.current_a", "A", "contact.u_current_a"),
            Row("  from closing to closing, std dev", "contact.spread_v", "V"),
            Row("resistance", "contact.resistance_ohm", "ohm", "contact.u_resistance_ohm"),
        ),
    ),
    (
        "feed",
        (
            Row("volts, no current flowing", "supply.volts", "V", "supply.u_volts"),
            Row("volts at the coil, points closed", "supply.closed_volts", "V", "supply.u_closed_volts"),
            Row("sag from one to the other", "supply.sag_v", "V", "supply.u_sag_v"),
            Row("ballast, leads, switch, battery", "coil.ballast_ohm", "ohm", "coil.u_ballast_ohm"),
        ),
    ),
    (
        "coil",
        (
            Row("resistance", "coil.resistance_ohm", "ohm", "coil.u_resistance_ohm"),
            Row(
                "resistance at 20 deg C", "coil.resistance_20c_ohm", "ohm",
                "coil.u_resistance_20c_ohm",
            ),
            Row("whole loop: feed, coil, contact", "coil.loop_ohm", "ohm", "coil.u_loop_ohm"),
            Row("inductance", "coil.inductance_h", "H", "coil.u_inductance_h"),
            Row("current at the opening", "coil.current_a", "A", "coil.u_current_a"),
            Row("energy at the opening", "coil.energy_j", "J", "coil.u_energy_j"),
            Row(
                "current, ignition on, engine stopped", "coil.standing_a", "A", "coil.u_standing_a"
            ),
            Row("heat in the winding then", "coil.heat_w", "W", "coil.u_heat_w"),
        ),
    ),
    (
        "spark",
        (
            Row("duration, median", "spark.duration_s", "s", "spark.u_duration_s"),
            Row("burn line above the feed", "spark.burn_v", "V", "spark.u_burn_v"),
        ),
    ),
    (
        "ring",
        (
            Row("after the spark", "condenser.ring_hz", "Hz", "condenser.u_ring_hz"),
            Row("  against the reference", "condenser.ring_change", "change", "condenser.u_ring_change"),
            Row("each swing falls to", "condenser.ring_decay", "share", "condenser.u_ring_decay"),
            Row("rise at the opening", "condenser.rise_v_per_s", "V/s", "condenser.u_rise_v_per_s"),
            Row("  against the reference", "condenser.rise_change", "change", "condenser.u_rise_change"),
        ),
    ),
)  # fmt: skip


def print_electrics(console: Console, result: Result, shown: Shown) -> None:
    """What was measured of the circuit; nothing where nothing was."""
    if figure(result, "trace.kind") == "condenser":
        return
    table = new_table("part", "figure", "value", "unit", right=(2,))
    for part, rows in PARTS:
        cells = [_cells(result, row, shown) for row in rows if _there(result, row)]
        cells += list(_more(part, result))
        for number, each in enumerate(cells):
            table.add_row("" if number else part, *each)
    print_table(console, "Circuit", table)
    _print_by_speed(console, result, shown)


def _there(result: Result, row: Row) -> bool:
    return figure(result, row.key) is not None


def _cells(result: Result, row: Row, shown: Shown) -> tuple[str, str, str]:
    value = figure(result, row.key)
    u = figure(result, row.u_key)
    if row.unit in ("share", "change"):
        text = shown.number(100.0 * value, "%", None if u is None else 100.0 * u)
        return row.what, f"+{text}" if row.unit == "change" and value > 0.0 else text, "%"
    text = shown.number(value, row.unit, u)
    if u is None:  # no more digits than anybody could use
        text = f"{value * shown.factor(row.unit):.3g}"
    return row.what, text, shown.unit(row.unit)


def _more(part: str, result: Result) -> Iterator[tuple[str, str, str]]:
    """Figures that are no number with a unit."""
    if part in MORE:
        yield from MORE[part](result)


def _of_the_coil(result: Result) -> Iterator[tuple[str, str, str]]:
    saturates, polarity = figure(result, "coil.saturates"), figure(result, "coil.polarity")
    if saturates is not None:
        yield "iron saturates", "yes" if saturates else "no", ""
    if polarity is not None:
        yield "polarity", polarity, ""


def _of_the_spark(result: Result) -> Iterator[tuple[str, str, str]]:
    misses, openings = figure(result, "spark.misses"), figure(result, "spark.openings")
    if misses is None:
        return
    yield "openings without a spark", f"{misses:,}", f"of {openings:,}" if openings else ""
    if misses:
        for where, counts in missed_where(result):
            yield f"  at {where}", f"{counts:,}", ""


MORE: Mapping[str, Callable[[Result], Iterator[tuple[str, str, str]]]] = {
    "coil": _of_the_coil,
    "spark": _of_the_spark,
}


def _print_by_speed(console: Console, result: Result, shown: Shown) -> None:
    rows = figure(result, "coil.by_speed") or []
    if len(rows) < 2:
        return
    # The ends are what it is about: never left out.
    some = min(MOST_SPEEDS, len(rows))
    picked = [rows[round(k * (len(rows) - 1) / (some - 1))] for k in range(some)]
    table = new_table(shown.unit("rpm"), "current, A", "energy, mJ", right=(0, 1, 2))
    for row in picked:
        table.add_row(
            f"{row['rpm'] * shown.factor('rpm'):,.0f}",
            shown.number(row["current_a"], "A", row.get("u_current_a")),
            shown.number(row["energy_j"], "J", row.get("u_energy_j")),
        )
    part = "" if some == len(rows) else f" ({some} of {len(rows)}; all are in the JSON)"
    print_table(console, f"Coil at the opening, by speed{part}", table)
