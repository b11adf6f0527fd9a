"""``coil``: coil, resistor and supply worked out, with no hardware; a verdict, and what to fit."""

from __future__ import annotations

from argparse import Namespace
from contextlib import ExitStack
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.text import Text

from breakerbench.cautions import SHORT_CAUTION
from breakerbench.cli.output import as_json, folder, output, write_json
from breakerbench.cli.report import new_table, print_advice, print_item, print_table
from breakerbench.cli.terminal import terminal
from breakerbench.errors import BadInput, harmless
from breakerbench.papers.coil_words import (
    assumption,
    band,
    energy_note,
    verdict_title,
    what_was_told,
)
from breakerbench.papers.words import Shown
from breakerbench.sources.files import cannot_write
from breakerbench.tools.ignition_figures import OHM_WITHIN
from breakerbench.tools.ignition_plan import Plan, Told, plan
from breakerbench.tools.ignition_words import TOO_CLOSE, UNDECIDED

if TYPE_CHECKING:
    from rich.console import Console

STANDARD_OUTPUT = "-"
#: The picture's files.
STEM, KINDS = "coil-by-speed", ("svg", "png")
FILES = tuple(f"{STEM}.{kind}" for kind in KINDS)

SECONDARY_MEASURED = (
    "measure between the two small terminals; the tall one is the secondary, thousands of ohm"
)
#: Option, least and largest figure, unit, and what to do about one beyond.
LIMITS: tuple[tuple[str, float, float, str, str], ...] = (
    ("--supply-v", 1.0, 60.0, "V", "6 or 12, or what the battery shows"),
    ("--coil-ohm", 0.05, 50.0, "ohm", SECONDARY_MEASURED),
    ("--temperature-c", -40.0, 150.0, "deg C", "the coil's own temperature"),
    ("--ballast-ohm", 0.0, 50.0, "ohm", "0 if there is none"),
    ("--measured-a", 0.05, 100.0, "A", "without its sign; none at all: find the break first"),
    ("--measured-feed-v", 0.05, 60.0, "V", "without its sign, points closed"),
    ("--measured-points-v", 0.0, 60.0, "V", "without its sign, points closed"),
    ("--lobes", 1, 12, "lobes", "count the lobes of the cam"),
    ("--dwell-percent", 1.0, 99.0, "%", "the share of a lobe's pitch that the points are closed"),
    ("--from-rpm", 10.0, 20000.0, "rpm", "in rpm of the distributor"),
    ("--to-rpm", 10.0, 20000.0, "rpm", "in rpm of the distributor"),
    ("--warm-c", -40.0, 200.0, "deg C", "the winding's own temperature"),
    ("--inductance-mh", 0.05, 200.0, "mH", "the primary's, in thousandths of a henry"),
    ("--turns-ratio", 5.0, 500.0, "", "about 100 is usual"),
    ("--condenser-uf", 0.005, 5.0, "µF", "about 0.2 is usual"),
    ("--secondary-pf", 1.0, 2000.0, "pF", "some 50 to 100 is usual"),
    ("--ohm-within", 0.0, 5.0, "ohm", "what the meter may be wrong by"),
)


def run(args: Namespace) -> int:
    """Work out the circuit; print it, or its JSON. Returns the exit status."""
    told = told_by(args)
    with ExitStack() as stack:
        part = None
        places = _places(stack, args.plots) if args.plots else {}
        if args.json and args.json != STANDARD_OUTPUT:
            part = stack.enter_context(output(args.json, device=True))
        made = plan(told)
        shown = Shown(args.degrees, args.speed_basis)
        if part is not None:
            write_json(part, as_mapping(made))
        if places:
            _draw(made, shown, places, args.plots)
    if args.json == STANDARD_OUTPUT:
        print(as_json(as_mapping(made)), end="")
    else:
        _print(terminal(), made, shown, args.plots)
    return 0


# --- what was told ----------------------------------------------------------------------------


def told_by(args: Namespace) -> Told:
    """The options as SI figures. Raises BadInput for figures that no circuit has."""
    for option, low, high, unit, mend in LIMITS:
        given = getattr(args, option[2:].replace("-", "_"))
        for value in given if isinstance(given, list) else [given]:
            if value is not None and not low <= value <= high:
                between = f"{low:g} to {high:g} {unit}".rstrip()
                raise BadInput(f"{option} {value:g}", f"is not within {between}", mend)
    if args.to_rpm <= args.from_rpm:
        raise BadInput(
            f"--to-rpm {args.to_rpm:g}",
            f"is not above --from-rpm {args.from_rpm:g}",
            "give the highest speed there",
        )
    _check_volts(args)
    return Told(
        supply_v=args.supply_v,
        coil_ohm=args.coil_ohm,
        coil_c=args.temperature_c,
        resistors=tuple(args.ballast_ohm),
        inductance_h=_times(args.inductance_mh, 1e-3),
        dwell_share=_dwell_share(args),
        lobes=args.lobes,
        min_rpm=args.from_rpm,
        max_rpm=args.to_rpm,
        turns_ratio=args.turns_ratio,
        condenser_f=_times(args.condenser_uf, 1e-6),
        secondary_f=_times(args.secondary_pf, 1e-12),
        warm_c=args.warm_c,
        standing_a=args.measured_a,
        feed_v=args.measured_feed_v,
        points_v=args.measured_points_v,
        marked=args.marked,
        ohm_within=OHM_WITHIN if args.ohm_within is None else args.ohm_within,
    )


def _check_volts(args: Namespace) -> None:
    """Volts in the closed circuit fall from the supply over the coil to the points."""
    feed, points = args.measured_feed_v, args.measured_points_v
    if points is not None and feed is None and args.measured_a is None:
        raise BadInput(
            f"--measured-points-v {points:g}",
            "says nothing of the coil alone",
            "give --measured-feed-v or --measured-a with it",
        )
    # A battery told as 12 V has 12.6: up to a tenth more is no slip.
    if feed is not None and feed > 1.1 * args.supply_v:
        raise BadInput(
            f"--measured-feed-v {feed:g}",
            f"is more than the supply's {args.supply_v:g} V",
            "measure the battery too, and give that as --supply-v",
        )
    if points is not None and points >= 0.9 * (args.supply_v if feed is None else feed):
        raise BadInput(
            f"--measured-points-v {points:g}",
            "is nearly all of the voltage: the points are open, or the terminals mixed up",
            "turn the distributor until the points are closed, and measure again",
        )


def _dwell_share(args: Namespace) -> float | None:
    if args.dwell_deg is None:
        return _times(args.dwell_percent, 0.01)
    if args.dwell_percent is not None:
        raise BadInput("--dwell-deg and --dwell-percent", "are both given", "give one of them")
    pitch = 360.0 / args.lobes
    if not 0.01 * pitch <= args.dwell_deg <= 0.99 * pitch:
        raise BadInput(
            f"--dwell-deg {args.dwell_deg:g}",
            f"is not within the {pitch:g} deg from lobe to lobe of {args.lobes} lobes",
            "give distributor degrees, half of crankshaft degrees",
        )
    return float(args.dwell_deg / pitch)


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else value * factor


# --- JSON -------------------------------------------------------------------------------------


def as_mapping(made: Plan) -> dict[str, Any]:
    """The figures as JSON, SI units; a band is {low, high}, an uncertain figure {value, u}."""
    verdict = made.verdict
    return {
        "schema": 1,
        "told": asdict(made.told),
        "assumed": [asdict(each) for each in made.assumed],
        "circuit": asdict(made.circuit) | {"coil_ohm": asdict(made.circuit.coil_ohm)},
        "at_rest": asdict(made.rest),
        "by_speed": [asdict(row) for row in made.rows],
        "verdict": asdict(verdict),
        "notes": list(made.notes),
    }


# --- picture ----------------------------------------------------------------------------------


def _places(stack: ExitStack, into: str) -> dict[str, Path]:
    """Where the picture goes, made ready before anything is worked out."""
    place = stack.enter_context(folder(into, FILES))
    return {each: stack.enter_context(output(str(place / each))) for each in FILES}


def _draw(made: Plan, shown: Shown, places: dict[str, Path], into: str) -> None:
    # Imported here: the pictures' library takes a second, and most runs draw none.
    from breakerbench.papers.coil_plan import coil_plan  # noqa: PLC0415
    from breakerbench.papers.page import png, svg  # noqa: PLC0415

    page, title = coil_plan(made, shown), what_was_told(made.told, shown)
    for each, content in zip(FILES, (svg, png), strict=True):
        try:
            places[each].write_bytes(content(page, title))
        except OSError as error:
            raise cannot_write(Path(into) / each, error) from error


# --- terminal ---------------------------------------------------------------------------------


def _print(console: Console, made: Plan, shown: Shown, plots: str | None) -> None:
    """What matters most comes last, where the eye is when it stops scrolling."""
    console.print(Text("Coil, resistor and supply: worked out, not measured", style="bold"))
    console.print(Text(what_was_told(made.told, shown)))
    if plots:
        console.print(Text(f"Picture in {harmless(plots)}: {STEM} (as SVG and PNG)"))
    _print_rest(console, made)
    _print_speeds(console, made, shown)
    _print_assumed(console, made)
    console.print(Text(f"\nCaution: {SHORT_CAUTION}"))
    console.print(Text(f"\nVerdict: {verdict_title(made.verdict)}", style="bold"))
    print_item(console, "-", made.verdict.sentence)
    print_item(console, "-", made.verdict.contacts)
    for note in made.notes:
        print_item(console, "- note:", note)
    print_advice(console, made.verdict.to_do)
    if made.verdict.key in (UNDECIDED, TOO_CLOSE):
        print_item(
            console,
            "-",
            "Then run this again with what you found: --measured-a, --measured-feed-v, --marked.",
        )


def _print_rest(console: Console, made: Plan) -> None:
    rest, of = made.rest, made.circuit
    table = new_table("ignition on, points closed, engine stopped", "value", "unit", right=(1,))
    table.add_row("winding at 20 deg C", f"{of.coil_20c_ohm:.2f}", "ohm")
    table.add_row(f"winding at {of.winding_c.high:g} deg C", f"{of.coil_ohm.high:.2f}", "ohm")
    table.add_row("resistance in the feed", f"{of.feed_ohm:.2f}", "ohm")
    table.add_row("current", band(rest.current_a, 1), "A")
    table.add_row("coil's feed terminal to ground", band(rest.feed_terminal_v, 1), "V")
    table.add_row("heat in the coil", band(rest.coil_w, 0), "W")
    table.add_row("heat in the feed's resistance", band(rest.feed_w, 0), "W")
    print_table(console, "At rest, winding warm to cold", table)
    console.print(Text("Never leave the ignition on with the engine stopped: this heat stays in."))


def _print_speeds(console: Console, made: Plan, shown: Shown) -> None:
    rpm = shown.unit("rpm")
    table = new_table(
        rpm, "current, A", "mean, A", "energy, mJ", "available, kV", right=(0, 1, 2, 3, 4)
    )
    heat = new_table(rpm, "in the coil, W", "in the feed, W", "sparks/s", right=(0, 1, 2, 3))
    for row in made.rows:
        speed = f"{row.rpm * shown.factor('rpm'):,.0f}"
        table.add_row(
            speed,
            band(row.current_a, 1),
            band(row.mean_a, 1),
            band(row.energy_j, 0, 1e3),
            band(row.secondary_v, 0, 1e-3),
        )
        heat.add_row(speed, band(row.coil_w, 0), band(row.feed_w, 0), f"{row.sparks_per_s:.0f}")
    print_table(console, "When the points open, by speed", table)
    print_table(console, "Heat while running, by speed", heat)
    console.print(Text(f"{energy_note(made)} {shown}"))


def _print_assumed(console: Console, made: Plan) -> None:
    console.print(Text("\nAssumed, because it was not told", style="bold"))
    for each in made.assumed:
        print_item(console, "-", assumption(each))
