"""The options of every verb: one function a verb, which fills the verb's parser.

Kept light like main.py: a verb's ``--help`` imports this and nothing more.
"""

import argparse

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

Steps = tuple[tuple[float, float], ...]


def number(text: str) -> float:
    """A finite number."""
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if value - value != 0.0:
        raise argparse.ArgumentTypeError(f"'{text}' is not a number")
    return value


def name(text: str) -> str:
    """A name or a path: an empty one is a slip in a script, not a wish for none."""
    if not text.strip():
        raise argparse.ArgumentTypeError("is empty")
    return text


def whole(text: str) -> int:
    """A whole number."""
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"'{text}' is not a whole number") from None


def pair(text: str) -> tuple[str, str]:
    """``NAME=VALUE``."""
    name, _, value = (part.strip() for part in text.partition("="))
    if not (name and value):
        raise argparse.ArgumentTypeError(f"'{text}' is not of the form NAME=VALUE")
    return name, value


def number_pair(text: str) -> tuple[str, float]:
    """``NAME=NUMBER``."""
    name, value = pair(text)
    return name, number(value)


def steps(text: str) -> Steps:
    """``SECONDS:VALUE,SECONDS:VALUE...``; the seconds start at 0 or later and rise."""
    return _rising_pairs(text, "SECONDS:VALUE", "seconds")


def _rising_pairs(text: str, form: str, firsts: str) -> Steps:
    found: list[tuple[float, float]] = []
    for part in text.split(","):
        first, colon, value = part.partition(":")
        if not colon:
            raise argparse.ArgumentTypeError(f"'{part}' is not of the form {form}")
        found.append((number(first), number(value)))
    rising = [first for first, _ in found]
    if rising[0] < 0 or rising != sorted(set(rising)):
        raise argparse.ArgumentTypeError(f"the {firsts} in '{text}' do not rise from 0 on")
    return tuple(found)


def analyze(verb: argparse.ArgumentParser) -> None:
    verb.description = (
        "Measure a recording of this program, a CSV, a WAV or a VCD file: dwell, lobe spacing,\n"
        "opening scatter and more, each with its uncertainty, and decide against a specification."
    )
    verb.epilog = (
        "examples:\n"
        "  breakerbench analyze run.csv --spec four-lobe --json run.json\n"
        "  breakerbench analyze run.csv --spec four-lobe --plots pictures\n"
        "  breakerbench analyze scope.csv --column points_v=CH1 --scale points_v=10\n"
        "  breakerbench analyze both.bbr --spec mine.toml --points-set both --first 1.bbr --second "
        "2.bbr\n\n"
        "Angles and speeds are those of the distributor unless switched; JSON always is."
    )
    add = verb.add_argument
    add("file", metavar="FILE", type=name, help="the recording or import; told by its content")
    add(
        "--spec",
        metavar="SPEC",
        type=name,
        help="name from 'spec list', or the path of a .toml file",
    )
    add("--json", metavar="OUT", type=name, help="write the result as JSON; - is standard output")
    add(
        "--plots",
        metavar="DIR",
        type=name,
        help="draw the figures into DIR, as SVG and PNG; it is made where it does not exist",
    )
    add(
        "--hand",
        metavar="HANDFILE",
        type=name,
        help="the same distributor turned by hand, with index and encoder: the zero of the advance "
        "where the run does not begin at rest",
    )
    add(
        "--reference",
        metavar="FILE",
        type=name,
        help="the same coil and condenser recorded before: how the ring has changed since",
    )
    add("--strict", action="store_true", help="exit status 1 when any decision is not a pass")
    _sets(verb)
    _import(verb)
    _display(verb)


def _sets(verb: argparse.ArgumentParser) -> None:
    add = verb.add_argument_group("two sets of points").add_argument
    add(
        "--points-set",
        choices=("first", "second", "both"),
        help="which is connected: a set alone, the other held open with a strip of insulating paper, "
        "or both",
    )
    add(
        "--first",
        metavar="FILE",
        type=name,
        help="beside both: the recording of the first set alone",
    )
    add(
        "--second", metavar="FILE", type=name, help="and that of the second; same index, same speed"
    )


def _import(verb: argparse.ArgumentParser) -> None:
    add = verb.add_argument_group("what an import does not say itself").add_argument
    many: dict[str, Any] = {"action": "append", "default": []}
    add(
        "--column",
        metavar="NAME=COL",
        type=pair,
        help="channel NAME is column COL (the heading in a CSV, the number from 0 in a WAV)",
        **many,
    )
    add(
        "--scale",
        metavar="NAME=X",
        type=number_pair,
        help="units per unit of the file (10:1 probe read as 1:1: 10); WAV: per full scale",
        **many,
    )
    add(
        "--delay",
        metavar="NAME=S",
        type=number_pair,
        help="how late the front end of the channel shows a step, s",
        **many,
    )
    add(
        "--sample-rate",
        metavar="HZ",
        type=number,
        help="samples a second of a CSV that has no column of times",
    )
    add("--encoder-pulses", metavar="N", type=whole, help="encoder pulses a revolution")
    add(
        "--kind",
        choices=("run", "hand", "coil", "condenser"),
        default="run",
        help="what was being done (default run)",
    )
    add(
        "--supply-v",
        metavar="V",
        type=number,
        help="volts at the feed, no current flowing, where no channel shows them",
    )
    add("--series-ohm", metavar="R", type=number, help="resistor that the feed goes through, ohm")
    add(
        "--probe-ohm",
        metavar="R",
        type=number,
        help="resistance of the instrument across the condenser, ohm (a 10:1 probe: 10e6)",
    )
    add(
        "--right-pulse",
        choices=("positive", "negative"),
        help="the way the pulses of the spark pickup go with a coil that is connected right",
    )
    add(
        "--accuracy",
        metavar="NAME=PERCENT",
        type=number_pair,
        help="limits of the error of channel NAME, or of what is told as supply or series, percent of "
        "the value (not told: 1)",
        **many,
    )
    add("--temperature-c", metavar="T", type=number, help="temperature of the coil, deg C")
    add(
        "--vacuum",
        metavar="S:KPA,...",
        type=steps,
        default=(),
        help="steps of the vacuum applied by hand, seconds and kPa: 0:0,10:20; before them there is "
        "none",
    )


def _display(verb: argparse.ArgumentParser) -> None:
    add = verb.add_argument_group("display (it says which; files never change)").add_argument
    bases = ("distributor", "crankshaft")
    add("--degrees", choices=bases, default=bases[0], help="degrees of which shaft")
    add("--speed-basis", choices=bases, default=bases[0], help="rpm of which shaft")


def record(verb: argparse.ArgumentParser) -> None:
    from breakerbench.cli.options_record import record as declare  # noqa: PLC0415  the same

    declare(verb)


def ports(verb: argparse.ArgumentParser) -> None:
    verb.description = "Serial ports of this machine, those with a board of ours first."
    verb.epilog = "example:\n  breakerbench ports\n\nThe simulated board needs no port: --port sim."


def app(verb: argparse.ArgumentParser) -> None:
    verb.description = (
        "The desktop program: leads through the job step by step, the bench live on the screen.\n"
        "With a FILE it shows that trace. Everything goes by keyboard alone: F1 helps."
    )
    verb.epilog = (
        "examples:\n  breakerbench app\n  breakerbench app --port sim\n  breakerbench app run.bbr"
    )
    verb.add_argument("file", metavar="FILE", nargs="?", type=name, help="a recording or import")
    verb.add_argument("--port", metavar="PORT", type=name, help="as for record; sim is simulated")
    verb.add_argument("--folder", metavar="DIR", type=name, help="of settings and jobs")


def firmware(verb: argparse.ArgumentParser) -> None:
    verb.description = (
        "Write the board's own program, which comes with this one, to a board with an RP2040.\n"
        "Hold the board's BOOTSEL button down while you plug it in: it then shows as a drive."
    )
    verb.epilog = (
        "examples:\n"
        "  breakerbench firmware\n"
        "  breakerbench firmware --drive /media/me/RPI-RP2\n"
        "  breakerbench firmware --show"
    )
    add = verb.add_mutually_exclusive_group().add_argument
    add("--drive", metavar="PATH", type=name, help="the board's drive, where it is not found")
    add(
        "--show", action="store_true", help="say which build it is and where it lies; write nothing"
    )


def export(verb: argparse.ArgumentParser) -> None:
    verb.description = (
        "Write a recording or an import as CSV, WAV or VCD for other programs, or as a recording\n"
        "of this one. It says what the format does not keep, and the command that reads it back."
    )
    verb.epilog = (
        "examples:\n"
        "  breakerbench export run.bbr --out run.csv\n"
        "  breakerbench export run.bbr --out closeup.csv --from 3 --to 3.5\n"
        "  breakerbench export scope.csv --column points_v=CH1 --out scope.bbr\n\n"
        "CSV, WAV and VCD cannot show a hole in a recording: export one side of it."
    )
    add = verb.add_argument
    add("file", metavar="FILE", type=name, help="the recording or import; told by its content")
    add("--out", metavar="OUT", type=name, required=True, help="the file to write")
    add(
        "--format",
        choices=("csv", "wav", "vcd", "bbr"),
        help="where the name of OUT does not tell: bbr is a recording of this program",
    )
    add("--from", metavar="S", dest="from_s", type=number, help="begin here, s from the start")
    add("--to", metavar="S", dest="to_s", type=number, help="end here, s from the start")
    _import(verb)


def simulate(verb: argparse.ArgumentParser) -> None:
    from breakerbench.cli.options_simulate import simulate as declare  # noqa: PLC0415  the same

    declare(verb)


def demo(verb: argparse.ArgumentParser) -> None:
    verb.description = (
        "The whole job on the simulated bench: a worn distributor with its gap wrong, what is\n"
        "measured, what to do about it, and the same distributor afterwards."
    )
    verb.epilog = (
        "example:\n  breakerbench demo --out demo\n\n"
        "Without --out nothing is written. With it the two recordings, the truth about them and\n"
        "both results as JSON go into DIR, which is made where it does not exist."
    )
    verb.add_argument(
        "--out", metavar="DIR", type=name, help="folder for the recordings and results"
    )
    _display(verb)


def coil(verb: argparse.ArgumentParser) -> None:
    from breakerbench.cli.options_coil import coil as declare  # noqa: PLC0415  it imports this file

    declare(verb)


def spec(verb: argparse.ArgumentParser) -> None:
    verb.description = (
        "The specification library: what is in it, what one says, is one in order, a new one."
    )
    verb.epilog = (
        "examples:\n  breakerbench spec list\n  breakerbench spec show four-lobe\n"
        "  breakerbench spec check mine.toml\n  breakerbench spec new mine.toml"
    )
    does = verb.add_subparsers(dest="does", metavar="WHAT", required=True, title="what to do")

    def add(name: str, purpose: str, example: str) -> argparse.ArgumentParser:
        return does.add_parser(
            name,
            help=purpose,
            description=f"{purpose[0].upper()}{purpose[1:]}.",
            epilog=f"example:\n  breakerbench spec {name}{example}",
        )

    add("list", "the specifications that come with the program, and where they are from", "")
    show = add("show", "what one specification says, with units", " four-lobe")
    show.add_argument("spec", metavar="SPEC", help="name from 'spec list', or a path")
    _display(show)
    check = add(
        "check", "is a specification in order: one line a problem, exit status 2", " mine.toml"
    )
    check.add_argument("specs", metavar="SPEC", nargs="+", help="a path, or name from 'spec list'")
    new = add("new", "write a specification from questions, one at a time", " mine.toml")
    new.description = (
        "Asks for the figures of a handbook, in its own units, reads them back as sentences and\n"
        "writes a specification file. Enter takes what stands in brackets, - leaves a figure out,\n"
        "? explains, < goes one question back, Ctrl-C stops. What is not stated is measured and\n"
        "not judged. Answers may come from a pipe, one a line."
    )
    new.add_argument(
        "out",
        metavar="OUT",
        nargs="?",
        type=name,
        help="the file to write, ending in .toml; asked for where it is not given",
    )
