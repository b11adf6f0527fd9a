"""A specification read back as sentences, every angle and speed in both bases."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import fields

from breakerbench.judge.points_sets import ALTERNATING, OVERLAPPING, arrangement
from breakerbench.judge.tables import TABLES, Distributor, Dwell, Specification
from breakerbench.papers.words import plain_number
from breakerbench.tools.convert import CRANKSHAFT_TURNS, KPA
from breakerbench.tools.gap import inches

#: Sentences of figures that are read as they stand: table.key, sentence with the figure in braces.
PLAIN = {
    "dwell.max_variation_deg": "Over the speed range the dwell may change by {} degrees of the "
    "distributor.",
    "spacing.max_error_deg": "No lobe may open more than {} degrees of the distributor from its "
    "place.",
    "spacing.max_interval_error_deg": "From one lobe to the next the error may be {} degrees of the "
    "distributor.",
    "scatter.max_deg": "The opening scatter (standard deviation) may be {} degrees of the "
    "distributor.",
    "bounce.settle_deg": "Bounce counts when it settles later than {} degrees of the distributor "
    "after the first touch.",
    "contact.max_drop_v": "From the coil's lead to ground the closed points may drop {} V.",
    "contact.at_current_a": "The contact drop is stated for {} A.",
    "coil.supply_v": "The system has {} V.",
    "coil.resistance_ohm": "The primary of the coil is to have {} ohm.",
    "coil.at_temperature_c": "The resistance is stated for {} degrees Celsius.",
    "coil.ballast_ohm": "The ballast resistor is to have {} ohm.",
    "coil.current_a": "Just before the points open, at low speed, the primary is to carry {} A.",
    "condenser.capacitance_uf": "The condenser is to have {} microfarad.",
    "condenser.min_leakage_megohm": "Its leakage resistance is to be at least {} megohm.",
    "spark.min_duration_ms": "The spark is to last at least {} ms.",
    "spark.gap_mm": "The spark is stated for a test gap of {} mm.",
}

#: What is known of two sets of points, by what the firing order says of them.
SETS = {
    OVERLAPPING: "They overlap: both follow every lobe, one a little after the other. Each is measured "
    "alone, then both together.",
    ALTERNATING: "They alternate: there are twice as many sparks as lobes. Each is measured alone, "
    "then both together.",
    None: "Each is measured alone, then both together. Whether they overlap or alternate is not "
    "stated; a firing order would tell.",
}

#: What a table is called where nothing of it is stated.
CALLED = {
    "dwell": "dwell",
    "gap": "contact gap",
    "spacing": "lobe spacing",
    "scatter": "opening scatter",
    "bounce": "contact bounce",
    "advance": "centrifugal advance",
    "vacuum": "vacuum advance",
    "contact": "contact drop",
    "coil": "coil",
    "condenser": "condenser",
    "spark": "spark",
}


def sentences(spec: Specification) -> Iterator[str]:
    """What the specification asks for, one sentence or two a figure."""
    yield from _distributor(spec.distributor)
    for sentence in _tables(spec):
        yield re.sub(r"(?<![\d.,])1 degrees\b", "1 degree", sentence)


def _tables(spec: Specification) -> Iterator[str]:
    for name, kind in TABLES.items():
        table = getattr(spec, name)
        if table is None or name == "distributor":
            continue
        if name == "dwell":
            yield from _dwell(table, spec.distributor)
            yield from _both(table)
        for each in fields(kind):
            value = getattr(table, each.name)
            key = f"{name}.{each.name}"
            sentence = PLAIN.get(key)
            if key == "coil.ballast_ohm" and value == (0.0, 0.0):
                yield "There is to be no ballast resistor."
            elif value is not None and sentence is not None:
                yield sentence.format(_figure(value))
            elif value is not None:
                yield from _special(key, value)
    missing = [called for name, called in CALLED.items() if getattr(spec, name) is None]
    if missing:
        yield f"Not stated, so measured and not judged: {', '.join(missing)}."


def _figure(value: float | tuple[float, float]) -> str:
    if not isinstance(value, tuple):
        return _exact(value)
    low, high = value
    return _exact(low) if low == high else f"{_exact(low)} to {_exact(high)}"


def _exact(value: float) -> str:
    """A figure to all its digits: this is what is about to be written."""
    return plain_number(value) if float(value).is_integer() else f"{value:.10g}"


def _distributor(it: Distributor) -> Iterator[str]:
    lobes = f"{it.lobes} lobes" if it.lobes != 1 else "one lobe"
    sets = "two sets of points" if it.points_sets == 2 else "one set of points"
    yield f"{it.name}: {lobes}, {sets}."
    if it.points_sets == 2:
        yield SETS[arrangement(it)]
    if it.rotation is not None:
        way = "clockwise" if it.rotation == "cw" else "counterclockwise"
        yield f"Seen from the cap end it turns {way}."
    if it.firing_order is not None:
        yield f"It fires in the order {'-'.join(map(str, it.firing_order))}."
    if it.nominal_deg is not None:
        angles = ", ".join(_exact(angle) for angle in it.nominal_deg)
        yield f"Its lobes open at {angles} degrees of the distributor."
    yield f"The figures are from: {it.source}"


def _dwell(dwell: Dwell, distributor: Distributor) -> Iterator[str]:
    low, high = dwell.min_deg, dwell.max_deg

    def percent(*degrees: float) -> str:
        shares = (plain_number(deg / distributor.pitch_deg * 100.0) for deg in degrees)
        return f"{' to '.join(shares)} percent"

    if low is not None and high is not None:
        yield (
            f"The dwell is to lie between {_exact(low)} and {_exact(high)} degrees of the "
            f"distributor, which is {percent(low, high)}."
        )
    elif low is not None or high is not None:
        word, limit = ("least", low) if low is not None else ("most", high)
        assert limit is not None
        yield (
            f"The dwell is to be at {word} {_exact(limit)} degrees of the distributor, which is "
            f"{percent(limit)}."
        )
    if dwell.aim_deg is not None:
        yield f"New points are set to {_exact(dwell.aim_deg)} degrees, which is {percent(dwell.aim_deg)}."


def _both(dwell: Dwell) -> Iterator[str]:
    """Limits of two sets of points together."""
    low, high = dwell.both_min_deg, dwell.both_max_deg
    if low is not None and high is not None:
        band = f"to lie between {_exact(low)} and {_exact(high)}"
    elif low is not None or high is not None:
        word, limit = ("least", low) if low is not None else ("most", high)
        assert limit is not None
        band = f"to be at {word} {_exact(limit)}"
    else:
        return
    yield f"The dwell of both sets of points together is {band} degrees of the distributor."


def _special(key: str, value: float | tuple[tuple[float, float, float], ...]) -> Iterator[str]:
    """Sentences of curves, speeds and gaps, which are said in two ways."""
    if isinstance(value, tuple):
        falling = "with falling speed " if key == "advance.falling" else ""
        for at, low, high in value:
            doubled = f"{_exact(low * CRANKSHAFT_TURNS)} to {_exact(high * CRANKSHAFT_TURNS)}"
            band = (
                f"the {'vacuum ' if key == 'vacuum.points' else ''}advance is {falling}to lie "
                f"between {_exact(low)} and {_exact(high)} degrees of the distributor, which is"
            )
            if key == "vacuum.points":
                vacuum = f"{at:.6g} kPa ({at / KPA['inHg']:.4g} inHg)"
                yield f"At a vacuum of {vacuum} {band} {doubled} degrees of the crankshaft."
            else:
                yield (
                    f"At {_exact(at)} rpm of the distributor {band} "
                    f"{_exact(at * CRANKSHAFT_TURNS)} rpm of the engine and {doubled} degrees of "
                    "the crankshaft."
                )
    elif key == "gap.nominal_mm":
        yield f"The contact gap is {_exact(value)} mm, which is {inches(value):.4g} inch."
    elif key == "gap.dwell_change_deg_per_mm":
        yield (
            f"A gap wider by 0.1 mm gives {-value / 10.0:.4g} degrees less dwell, one wider by a "
            f"thousandth of an inch {-value * 0.0254:.4g}."
        )
    elif key == "bounce.none_below_rpm":
        yield (
            f"There is to be no bounce below {_exact(value)} rpm of the distributor, which is "
            f"{_exact(value * CRANKSHAFT_TURNS)} rpm of the engine."
        )
    elif key == "advance.max_hysteresis_deg":
        yield (
            f"Rising and falling speed may differ by {_exact(value)} degrees of the distributor, "
            f"which is {_exact(value * CRANKSHAFT_TURNS)} degrees of the crankshaft."
        )
