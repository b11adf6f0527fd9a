"""The options of ``record``."""

import argparse

from breakerbench.cli.options import _display, name, number, whole


def record(verb: argparse.ArgumentParser) -> None:
    verb.description = (
        "Record from a board and measure as it comes, by the same way as 'analyze'. Ctrl-C ends the\n"
        "recording and prints the report. A board that is unplugged is waited for."
    )
    verb.epilog = (
        "examples:\n"
        "  breakerbench record --port auto --out run.bbr --spec four-lobe\n"
        "  breakerbench record --port sim --out run.bbr --seconds 10\n\n"
        "What is recorded is on the disk to the last second, whatever happens."
    )
    add = verb.add_argument
    add(
        "--port",
        metavar="PORT",
        type=name,
        required=True,
        help="name of the port, auto for the one board that is plugged in, socket://HOST:PORT, or sim "
        "for the simulated board ('sim --feed coil': with options of its own)",
    )
    add("--out", metavar="FILE", type=name, required=True, help="the recording to write")
    add("--spec", metavar="SPEC", type=name, help="name from 'spec list', or path of a .toml file")
    add("--seconds", metavar="S", type=number, help="length (default: until Ctrl-C)")
    add("--mode", metavar="N", type=whole, help="capture mode of the board (default its first)")
    add("--json", metavar="OUT", type=name, help="write the result as JSON")
    add("--no-wait", action="store_true", help="end the recording when the board goes away")
    told = verb.add_argument_group("what the board does not say itself").add_argument
    told("--encoder-pulses", metavar="N", type=whole, help="encoder pulses a revolution")
    told(
        "--kind",
        choices=("run", "hand", "coil", "condenser"),
        default="run",
        help="what is being done (default run)",
    )
    told("--supply-v", metavar="V", type=number, help="volts at the feed, no current flowing")
    told("--series-ohm", metavar="R", type=number, help="resistor that the feed goes through, ohm")
    told("--temperature-c", metavar="T", type=number, help="temperature of the coil, deg C")
    _display(verb)
