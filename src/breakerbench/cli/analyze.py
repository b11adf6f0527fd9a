"""``analyze``: any recording or import to figures with uncertainty and decisions."""

from __future__ import annotations

from argparse import Namespace
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from breakerbench.cli.main import say
from breakerbench.cli.output import as_json, output, write_json
from breakerbench.cli.pictures import Places, print_pictures
from breakerbench.cli.progress import progress
from breakerbench.edges.average import Averages
from breakerbench.edges.shown import CycleTraces
from breakerbench.errors import BadInput
from breakerbench.judge.points_sets import BOTH, FIRST, SECOND
from breakerbench.judge.specification import Specification, find_specification
from breakerbench.measure.condenser_found import Charged
from breakerbench.measure.hand_zero import HandZero, hand_zero
from breakerbench.papers.subject import Collected, Subject
from breakerbench.papers.words import Shown
from breakerbench.pipeline import analyze
from breakerbench.result.circuit import against_reference
from breakerbench.result.two_sets import ONE_SET, PointsSets
from breakerbench.sources.files import reason
from breakerbench.sources.open import ImportOptions, open_trace
from breakerbench.sources.options import MAX_ENCODER_PULSES, TOLD_ACCURACY
from breakerbench.trace import EDGE_NAMES, SAMPLED_UNITS

STANDARD_OUTPUT = "-"
NOT_ALL_PASSED = 1
#: No hand turns faster, and below it weights rest, rpm; common practice, no source.
FASTEST_BY_HAND_RPM = 100.0
#: The way a pulse goes, by its word.
PULSES = {"positive": 1, "negative": -1}
ABSOLUTE_ZERO_C = -273.15

Value = TypeVar("Value", str, float)


def run(args: Namespace) -> int:
    """Analyse ``args.file``, print the report or the JSON. Returns the exit status."""
    options = import_options(args)
    spec = None if args.spec is None else find_specification(args.spec)
    if args.strict and spec is None:
        say("breakerbench analyze: --strict without --spec: nothing is judged, nothing can fail")
    _check_sets(args, spec)
    inputs = [
        each
        for each in (args.file, args.spec, args.hand, args.first, args.second, args.reference)
        if each
    ]
    with ExitStack() as stack:
        # Every output is made ready first: what cannot be written is said before the long work.
        part = None
        places = Places(stack, args.plots) if args.plots else None
        if args.json and args.json != STANDARD_OUTPUT:
            part = stack.enter_context(output(args.json, *inputs, device=True))
        if places is not None:
            places.ready(*inputs)
        hand = None if args.hand is None else _zero_by_hand(args.hand, options)
        sets = _points_sets(args, options, spec)
        result, collected = measured(args.file, options, spec, hand, places is not None, sets)
        if args.reference:
            against_reference(result, _reference(args.reference, options))
        shown = Shown(args.degrees, args.speed_basis)
        subject = Subject(Path(args.file).name, result, spec, shown, *collected)
        if part is not None:
            write_json(part, result)
        if places is not None:
            places.draw(subject)
    if args.json == STANDARD_OUTPUT:
        print(as_json(result), end="")
    else:
        print_report(subject, args.file, args.plots)
    passed = all(one["decision"] == "pass" for one in result["decisions"])
    passed = passed and "decisions" not in result["why"]  # a specification that could not be held
    return NOT_ALL_PASSED if args.strict and not passed else 0


def measured(
    path: str,
    options: ImportOptions | None,
    spec: Specification | None,
    hand: HandZero | None = None,
    collecting: bool = False,
    sets: PointsSets = ONE_SET,
) -> tuple[dict[str, Any], Collected]:
    """The result for one file, with a progress bar where somebody can see it.

    And, with ``collecting``, what pictures need beside it, as far as there is any.

    Raises BadInput for a file that cannot be used.
    """
    source = open_trace(path, options)
    averages = Averages(source.header) if collecting else None
    traces = CycleTraces(source.header) if collecting else None
    charged: list[Charged] = []
    try:
        with progress("measuring") as report:
            result = analyze(source, spec, report, hand, averages, sets, charged, traces)
        if not result["trace"]["seconds"]:  # cut before the end of its first block
            raise BadInput(path, "holds no samples that can be read", "record it again")
        if averages is None or traces is None:
            return result, Collected()
        charge = charged[0] if charged else None
        return result, Collected(averages.averaged(), charge, traces.slowest())
    except OSError as error:  # the disk failed, the stick was pulled out
        raise BadInput(path, f"cannot be read on ({reason(error)})", "copy it first") from error
    finally:
        source.close()


def _zero_by_hand(path: str, options: ImportOptions) -> HandZero:
    """Where the openings stand at rest, from a hand-turned trace.

    Raises BadInput for a file that cannot be used or gives no opening angles.
    """
    result, _ = measured(path, replace(options, kind="hand", vacuum_steps=()), None)
    zero = hand_zero(result["hand"])
    if zero is None:
        why = result["why"].get("hand.per_lobe_deg") or result["why"].get("hand", "")
        what = f"gives no opening angles to measure the advance from ({why})"
        raise BadInput(
            path, what, "turn it again one way with index and encoder, or leave --hand out"
        )
    if zero.rpm > FASTEST_BY_HAND_RPM:
        raise BadInput(
            path,
            f"was turned at {zero.rpm:.0f} rpm, where the weights may have moved: no zero of the advance",
            "turn the distributor slowly by hand, 5 to 30 rpm",
        )
    return zero


def _reference(path: str, options: ImportOptions) -> dict[str, Any]:
    """The result of a recording to compare the ring with.

    Raises BadInput for a file that cannot be used or shows no ring.
    """
    result, _ = measured(path, replace(options, vacuum_steps=()), None)
    if result["condenser"]["ring_hz"] is None:
        why = result["why"].get("condenser.ring_hz") or "no coil in the feed"
        raise BadInput(
            path, f"shows no ring to compare with ({why})", "record a run with the coil connected"
        )
    return result


def _check_sets(args: Namespace, spec: Specification | None) -> None:
    """Raises BadInput for options about two sets of points that do not go together."""
    named = f"--points-set {args.points_set}"
    if args.points_set and spec is not None and spec.distributor.points_sets != 2:
        raise BadInput(
            named,
            "the specification states one set of points",
            "write points_sets = 2 under its [distributor], or leave the option out",
        )
    given = [f"--{name}" for name in ("first", "second") if getattr(args, name)]
    if not given:
        return
    what = " and ".join(given)
    if len(given) == 1:
        raise BadInput(what, "is given alone", "give both: --first FILE --second FILE")
    if args.points_set != BOTH:
        raise BadInput(what, "are compared with both sets together", "add --points-set both")
    if args.kind != "run":
        raise BadInput(what, f"are of no use with --kind {args.kind}", "record runs by the drive")


def _points_sets(args: Namespace, options: ImportOptions, spec: Specification | None) -> PointsSets:
    """Which set is connected, and what the recordings of each alone give.

    Raises BadInput for a file that cannot be used.
    """
    if not args.first:
        return PointsSets(args.points_set)
    plain = replace(options, vacuum_steps=())
    results = [
        measured(path, plain, spec, sets=PointsSets(which))[0]
        for which, path in ((FIRST, args.first), (SECOND, args.second))
    ]
    return PointsSets(args.points_set, (results[0], results[1]))


def print_report(subject: Subject, name: str, plots: str | None = None) -> None:
    """What is printed of a result: of a file, or of what was just recorded."""
    # Imported here: a script that takes the JSON does not wait for the tables.
    from breakerbench.cli.report import (  # noqa: PLC0415
        print_advice,
        print_result,
        print_title,
    )
    from breakerbench.cli.terminal import terminal  # noqa: PLC0415
    from breakerbench.papers.advice import advice  # noqa: PLC0415

    console = terminal()
    result, spec, shown = subject.result, subject.spec, subject.shown
    against = f" against {spec.distributor.name}" if spec else ""
    simulated = bool(result["trace"]["simulated"])
    print_title(console, f"{name}{against}", simulated=simulated)
    if plots:
        print_pictures(console, plots, subject)
    print_result(console, result, shown)
    texts = list(advice(result, spec, shown))
    if texts:
        print_advice(console, texts)


def check_told(args: Namespace) -> None:
    """Raises BadInput for a figure that a person told and that is not possible."""
    _check(
        args.encoder_pulses is None or 1 <= args.encoder_pulses <= MAX_ENCODER_PULSES,
        "--encoder-pulses",
        f"1 or more, {MAX_ENCODER_PULSES:,} at most",
    )
    _check(args.series_ohm is None or args.series_ohm > 0, "--series-ohm", "above 0 ohm")
    _check(
        args.temperature_c is None or args.temperature_c > ABSOLUTE_ZERO_C,
        "--temperature-c",
        "above absolute zero",
    )


def import_options(args: Namespace) -> ImportOptions:
    """The options of an import from the command line.

    Raises BadInput for a channel that does not exist, one named twice, a figure out of range.
    """
    check_told(args)
    _check(all(kpa >= 0 for _, kpa in args.vacuum), "--vacuum", "0 kPa of vacuum or more")
    scales = _by_channel("--scale", args.scale)
    _check(all(scales.values()), "--scale", "anything but 0")
    return ImportOptions(
        columns=_by_channel("--column", args.column),
        scales=scales,
        delays=_by_channel("--delay", args.delay),
        kind=args.kind,
        supply_v=args.supply_v,
        series_ohm=args.series_ohm,
        temperature_c=args.temperature_c,
        encoder_pulses=args.encoder_pulses,
        vacuum_steps=args.vacuum,
        sample_rate_hz=args.sample_rate,
        accuracies=_by_channel("--accuracy", args.accuracy, (*SAMPLED_UNITS, *TOLD_ACCURACY)),
        probe_ohm=args.probe_ohm,
        pickup_sense=PULSES.get(args.right_pulse),
    )


def _check(good: bool, option: str, wanted: str) -> None:
    if not good:
        raise BadInput(option, "its figure is not possible", f"it must be {wanted}")


def _by_channel(
    option: str,
    pairs: Sequence[tuple[str, Value]],
    known: Sequence[str] = ("time_s", *SAMPLED_UNITS, *EDGE_NAMES),
) -> dict[str, Value]:
    found: dict[str, Value] = {}
    for name, value in pairs:
        if name not in known:
            raise BadInput(
                f"{option} {name}={value}",
                f"there is no channel '{name}'",
                f"use one of {', '.join(known)}",
            )
        if name in found:
            raise BadInput(f"{option} {name}={value}", "the channel is given twice", "leave one")
        found[name] = value
    return found
