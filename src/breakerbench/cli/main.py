"""The way in: finds the verb, runs it, turns what happens into an exit status.

The start must stay within three times the bare interpreter's, so nothing but argparse, os and sys
is imported at the top (numpy, even dataclasses, are too dear; ``tests/benchmarks`` measures it).
Only the wanted verb's options are declared, and a verb is imported when it is called.

Exit status, by the contract:

    0    it ran, whatever the verdict
    1    with --strict: a decision is not a pass
    2    bad input or usage: one line on standard error, no output file left behind
    3    a fault of this program: one line; the traceback with BREAKERBENCH_TRACEBACK=1
    130  stopped with Ctrl-C; 143 stopped by the system; 141 the reader of our output went away

Status 3 is apart from 2 so that a fault of ours is never taken for a fault of the input: it is not
hidden, a script can tell it, and it says where it came from.
"""

import argparse
import os  # the interpreter has it already
import sys

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Any, NoReturn

BAD_INPUT, FAULT, STOPPED, PIPE_CLOSED, TERMINATED = 2, 3, 130, 141, 143

#: Every verb: its options are ``options.VERB``, its work is ``VERB.run(args)``.
VERBS = {
    "demo": "the whole job on the simulated bench: before, the repair, after",
    "analyze": "measure a recording or import, decide against a specification",
    "app": "the desktop program: the bench live on a screen, step by step",
    "record": "live from a board: to a recording, measured as it comes",
    "ports": "what is plugged in: boards of ours and other serial ports",
    "firmware": "the board's own program, written to the board's drive",
    "export": "a recording or import as CSV, WAV or VCD for other programs",
    "simulate": "a recording from the simulated bench, its truth beside it",
    "coil": "coil, resistor and supply worked out: are they right for each other, what to fit",
    "spec": "the specification library: list, show, check, new",
}


class Parser(argparse.ArgumentParser):
    """A parser that says what is wrong in one line and takes no shortened options."""

    def __init__(self, **settings: "Any") -> None:
        settings.setdefault("allow_abbrev", False)  # a later option must not break a script
        settings.setdefault("formatter_class", Help)
        super().__init__(**settings)

    def error(self, message: str) -> "NoReturn":
        say(f"{self.prog}: {message}; see {self.prog} --help")
        raise SystemExit(BAD_INPUT)


class Help(argparse.RawDescriptionHelpFormatter):
    """Help as wide as the terminal; found without shutil, which would slow the start."""

    def __init__(self, prog: str) -> None:
        try:
            columns = int(os.environ.get("COLUMNS") or os.get_terminal_size().columns)
        except (OSError, ValueError):
            columns = 80
        super().__init__(prog, max_help_position=26, width=min(max(columns, 40), 100) - 2)


class Version(argparse.Action):
    """``--version``, looked up only when it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from importlib.metadata import version  # noqa: PLC0415

        print(f"{parser.prog} {version('breakerbench')}")
        raise SystemExit(0)


def say(text: str) -> None:
    """One line on standard error, whatever the text holds."""
    from breakerbench.errors import harmless  # noqa: PLC0415

    print(harmless(text), file=sys.stderr, flush=True)


def build_parser(wanted: str | None) -> Parser:
    """The parser, with the options of the ``wanted`` verb only."""
    parser = Parser(
        prog="breakerbench",
        description="Bench tester for contact-breaker ignition distributors: it measures, judges "
        "and\nsays what to do.",
        epilog="example:\n  breakerbench demo\n\n"
        "'breakerbench VERB --help' explains a verb. Exit status: 0 it ran, 1 with --strict\n"
        "when not all passed, 2 bad input, 3 a fault of this program, 130 stopped.",
    )
    parser.add_argument("--version", action=Version, nargs=0, help="show the version and stop")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True, title="verbs")
    for name, purpose in VERBS.items():
        verb = verbs.add_parser(name, help=purpose)
        if name == wanted:
            from breakerbench.cli import options  # noqa: PLC0415

            getattr(options, name)(verb)
    return parser


def main(argv: "Sequence[str] | None" = None) -> int:
    """Run one command line; returns the exit status."""
    status = 0
    try:
        status = _parse_and_run(sys.argv[1:] if argv is None else list(argv))
        if sys.stdout is not None:
            sys.stdout.flush()
    except BrokenPipeError:
        _drop_output()
        return PIPE_CLOSED
    except OSError as error:  # the last of the output could not be written
        if status == 0:
            say(f"output: {error.strerror or error}")
            status = BAD_INPUT
        _drop_output()
    return status


def _drop_output() -> None:
    """Nothing more can be said: keep the interpreter's own flush at exit quiet."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _parse_and_run(argv: list[str]) -> int:
    try:
        wanted = next((word for word in argv if not word.startswith("-")), None)
        parser = build_parser(wanted)
        args, unknown = parser.parse_known_args(argv)
        if unknown:  # said by the verb, whose own help explains its options
            does = getattr(args, "does", None)
            parser.prog = " ".join([parser.prog, args.verb, *([does] if does else [])])
            parser.error(f"unrecognized arguments: {' '.join(unknown)}")
        return _run(args)
    except SystemExit as stop:  # argparse is done, or the system told us to end
        return stop.code if isinstance(stop.code, int) else 0
    except KeyboardInterrupt:
        say("breakerbench: stopped; no output file was written")
        return STOPPED


def _run(args: argparse.Namespace) -> int:
    import signal  # noqa: PLC0415
    from importlib import import_module  # noqa: PLC0415

    from breakerbench.errors import BadInput  # noqa: PLC0415

    # A polite kill unwinds like any other end, so that no half-written file stays.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(TERMINATED))
    try:
        status: int = import_module(f"breakerbench.cli.{args.verb}").run(args)
        return status
    except BadInput as error:
        say(str(error))
        return BAD_INPUT
    except BrokenPipeError:
        raise
    except OSError as error:
        place = error.filename if isinstance(error.filename, str) else "output"
        say(f"{place}: {error.strerror or error}")
        return BAD_INPUT
    except Exception as error:
        return _fault(error)


def _fault(error: Exception) -> int:
    """A fault of this program, in one line; the whole of it when asked for."""
    import traceback  # noqa: PLC0415

    if os.environ.get("BREAKERBENCH_TRACEBACK"):
        traceback.print_exception(error)
        return FAULT
    frame = traceback.extract_tb(error.__traceback__)[-1]
    say(
        f"breakerbench: a fault of this program, not of the input: {type(error).__name__}: {error} "
        f"({os.path.basename(frame.filename)} line {frame.lineno}); please report it, with what "
        "BREAKERBENCH_TRACEBACK=1 in the environment shows"
    )
    return FAULT


if __name__ == "__main__":
    sys.exit(main())
