"""The options of ``coil``. Kept light like options.py, which calls it."""

import argparse

from breakerbench.cli.options import _display, name, number, whole


def coil(verb: argparse.ArgumentParser) -> None:
    verb.description = (
        "Are coil, resistor and supply right for each other, and what to fit instead: current,\n"
        "heat, energy and voltage by speed, worked out from the coil's ohms. No hardware needed."
    )
    verb.epilog = (
        "examples:\n"
        "  breakerbench coil --supply-v 12 --coil-ohm 3.0\n"
        "  breakerbench coil --supply-v 12 --coil-ohm 1.5 --ballast-ohm 1.5 --lobes 8\n"
        "  breakerbench coil --supply-v 12.4 --coil-ohm 1.5 --measured-a 3.9 --plots pictures\n\n"
        "Speeds and degrees given here are those of the distributor. What is not given is assumed,\n"
        "as a band, and said."
    )
    add = verb.add_argument
    add(
        "--supply-v",
        metavar="V",
        type=number,
        required=True,
        help="volts of the system, 6 or 12; or those measured at the battery",
    )
    add(
        "--coil-ohm",
        metavar="R",
        type=number,
        required=True,
        help="primary winding, between the two small terminals, its leads off, ohm",
    )
    add(
        "--temperature-c",
        metavar="T",
        type=number,
        help="temperature of the coil when its ohms were measured, deg C (not told: cold)",
    )
    add(
        "--ballast-ohm",
        metavar="R",
        type=number,
        action="append",
        default=[],
        help="resistor in the feed, ohm, 0 if none; may be repeated",
    )
    add(
        "--marked",
        choices=("6v", "12v", "12v-resistor"),
        help="what stands on the coil: for 6 V, for 12 V, for 12 V with a resistor",
    )
    _coil_measured(verb)
    _coil_more(verb)
    add("--json", metavar="OUT", type=name, help="write the figures as JSON; - is standard output")
    add(
        "--plots",
        metavar="DIR",
        type=name,
        help="draw current and voltage over speed into DIR, as SVG and PNG; it is made where it "
        "does not exist",
    )
    _display(verb)


def _coil_measured(verb: argparse.ArgumentParser) -> None:
    add = verb.add_argument_group(
        "measured with the points closed, engine stopped, a few seconds"
    ).add_argument
    add("--measured-a", metavar="A", type=number, help="current through coil and points, A")
    add(
        "--measured-feed-v",
        metavar="V",
        type=number,
        help="coil's feed terminal to ground, V, without its sign (not while cranking)",
    )
    add(
        "--measured-points-v",
        metavar="V",
        type=number,
        help="coil's points terminal to ground, V, without its sign",
    )


def _coil_more(verb: argparse.ArgumentParser) -> None:
    add = verb.add_argument_group("assumed where it is not given").add_argument
    add("--lobes", metavar="N", type=whole, default=4, help="cam lobes, 1 to 12 (default 4)")
    add("--dwell-deg", metavar="DEG", type=number, help="dwell, distributor degrees")
    add("--dwell-percent", metavar="P", type=number, help="or dwell, percent of the lobe pitch")
    add("--from-rpm", metavar="RPM", type=number, default=300.0, help="lowest speed (default 300)")
    add("--to-rpm", metavar="RPM", type=number, default=2500.0, help="highest speed (default 2500)")
    add("--warm-c", metavar="T", type=number, help="winding warm from running, deg C (70)")
    add("--inductance-mh", metavar="L", type=number, help="of the primary, mH")
    add("--turns-ratio", metavar="N", type=number, help="turns of secondary to primary")
    add("--condenser-uf", metavar="C", type=number, help="condenser, µF")
    add("--secondary-pf", metavar="C", type=number, help="secondary with cap, lead and plug, pF")
    add(
        "--ohm-within",
        metavar="R",
        type=number,
        help="largest error of the ohmmeter, ohm (not told: 0.1)",
    )
