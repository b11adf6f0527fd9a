"""The options of ``simulate``. Kept light like options.py, which calls it."""

import argparse

from breakerbench.cli.options import Steps, _rising_pairs, name, number, steps, whole

TYPE_CHECKING = False
if TYPE_CHECKING:
    pass


def curve(text: str) -> Steps:
    """``RPM:DEG,RPM:DEG...``; the speeds start at 0 or later and rise."""
    return _rising_pairs(text, "RPM:DEG", "speeds")


def second_set(text: str) -> tuple[float, float | None]:
    """``AFTER`` or ``AFTER:DWELL``, degrees."""
    after, colon, dwell = text.partition(":")
    return number(after), number(dwell) if colon else None


def speed_plan(text: str) -> Steps:
    """One speed in rpm, or ``SECONDS:RPM,...``."""
    return steps(text if ":" in text else f"0:{text}")


def names(text: str) -> tuple[str, ...]:
    return tuple(name(part.strip()) for part in text.split(","))


def simulate(verb: argparse.ArgumentParser) -> None:
    verb.description = (
        "Write a recording from the simulated bench, and the truth about it beside it as\n"
        "FILE.truth.json. The same options and seed give the same recording."
    )
    verb.epilog = (
        "examples:\n"
        "  breakerbench simulate --out worn.bbr --fault bushing-worn=needs-repair --seed 7\n"
        "  breakerbench simulate --out curve.bbr --lobes 6 --speed 0:250,20:2500,40:250\n"
        "  breakerbench simulate --out plate.bbr --speed 300 --vacuum 0:0,5:20,10:40,15:20\n"
        "  breakerbench simulate --out hand.bbr --kind hand\n"
        "  breakerbench simulate --out first.bbr --second-set 6 --points-set first\n"
        "  breakerbench simulate --out coil.bbr --feed coil --channels points_v,current_a,supply_v\n"
        "  breakerbench simulate --out burnt.bbr --fault points-burnt=needs-repair\n"
        "  breakerbench simulate --out c.bbr --kind condenser --fault condenser-leaky=needs-repair\n"
        "  breakerbench simulate --fault list"
    )
    add = verb.add_argument
    add("--out", metavar="FILE", type=name, help="the recording to write")
    add(
        "--fault",
        metavar="NAME=LEVEL",
        action="append",
        default=[],
        help="a fault and how bad it is, may be repeated; 'list' shows them all",
    )
    add("--seed", metavar="N", type=whole, default=1, help="another seed, another run (default 1)")
    add(
        "--speed",
        metavar="PLAN",
        type=speed_plan,
        help="one speed, or SECONDS:RPM,... joined by ramps, distributor rpm "
        "(default 0:300,2:300,8:2500,10:2500)",
    )
    add("--seconds", metavar="S", type=number, help="length (default: to the end of the plan)")
    add(
        "--kind",
        choices=("run", "hand", "coil", "condenser"),
        default="run",
        help="run by the drive; turned by hand with jerks, rests and going back; on a coil at one "
        "slow speed, for its electrical figures; or the condenser alone (default run)",
    )
    _simulated_circuit(verb)
    _simulated_condenser(verb)
    add(
        "--advance",
        metavar="RPM:DEG,...",
        type=curve,
        help="where the weights start, bend and come to the stop, distributor rpm and degrees "
        "(default 480:0,950:6.5,1750:11.5)",
    )
    add(
        "--vacuum",
        metavar="S:KPA,...",
        type=steps,
        default=(),
        help="steps of the vacuum applied to the vacuum unit, seconds and kPa: 0:0,5:20",
    )
    add("--lobes", metavar="N", type=whole, help="cam lobes, 1 to 12 (default 4)")
    add("--dwell-deg", metavar="DEG", type=number, help="dwell that the gap is set to")
    add(
        "--second-set",
        metavar="AFTER[:DWELL]",
        type=second_set,
        help="a second set of points that opens AFTER degrees after the first (half a lobe pitch: they "
        "alternate), in parallel; its dwell where it is another",
    )
    add(
        "--points-set",
        choices=("first", "second", "both"),
        help="which of two sets is connected (default both)",
    )
    add(
        "--sample-rate",
        metavar="HZ",
        type=number,
        help="of each channel (default 250000; of three or more, their share of 500000)",
    )
    add(
        "--condition",
        metavar="NAME",
        action="append",
        default=[],
        help="a condition of the bench (no-encoder), may be repeated; 'list' shows them all",
    )


def _simulated_circuit(verb: argparse.ArgumentParser) -> None:
    add = verb.add_argument
    add(
        "--feed",
        choices=("dry", "coil"),
        help="points fed through a resistor, or on a coil with condenser and plugs (default dry; coil "
        "where a fault or an option asks for one)",
    )
    add("--system", type=whole, choices=(6, 12), default=12, help="volts, 6 or 12 (default 12)")
    add(
        "--channels",
        metavar="NAME,...",
        type=names,
        help="what is sampled: points_v, current_a, and on a coil supply_v, contact_v, spark "
        "(default points_v,current_a)",
    )
    add(
        "--probe",
        choices=("points", "contact", "plate", "clamp"),
        help="what the probe of the contact sits across, on a coil: all from the points' terminal to "
        "ground, the contact, the plate's ground, the ground clamp (default points)",
    )


def _simulated_condenser(verb: argparse.ArgumentParser) -> None:
    add = verb.add_argument_group("with --kind condenser").add_argument
    add("--capacitance-uf", metavar="C", type=number, help="its capacitance, µF (default 0.22)")
    add("--leakage-megohm", metavar="R", type=number, help="its leakage, megohm (default 200)")
    add(
        "--series-ohm",
        metavar="R",
        type=number,
        help="resistor that it is charged through, ohm (default 10000)",
    )
    add(
        "--probe-ohm",
        metavar="R",
        type=number,
        help="resistance of the instrument, ohm (default 10e6)",
    )
    add("--charges", metavar="N", type=whole, help="how often it is charged (default 5)")
    add(
        "--hold",
        metavar="S",
        type=number,
        help="how long the feed is off after the last charge, s; 0: it is not (default 3)",
    )
