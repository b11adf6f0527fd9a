"""``record``: live from a board to a recording, measured as it comes."""

from __future__ import annotations

import os
import signal
import sys
import time
from argparse import Namespace
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

from breakerbench.cli.analyze import check_told, print_report
from breakerbench.cli.main import say
from breakerbench.cli.output import output, write_json
from breakerbench.errors import BadInput
from breakerbench.judge.specification import Specification, find_specification
from breakerbench.measure.timing import BIN_RPM
from breakerbench.papers.subject import Collected, Subject
from breakerbench.papers.words import Shown
from breakerbench.pipeline import Analyzer, analyzer
from breakerbench.result.live import Live
from breakerbench.sources.port import PortSource
from breakerbench.sources.recording_writer import RecordingWriter
from breakerbench.trace import Block, EdgeTimes, Event, Hole

#: The recording goes to the disk, and the line on the terminal is drawn, so often, s.
FLUSH_S, SHOW_S = 1.0, 0.25
#: Speeds that are named as missing, at most.
MOST_NAMED = 4


def run(args: Namespace) -> int:
    """Record until Ctrl-C, ``--seconds`` or the board's end, then print the report."""
    spec = None if args.spec is None else find_specification(args.spec)
    if args.seconds is not None and not args.seconds > 0:
        raise BadInput("--seconds", "is not above 0", "leave it out to record until Ctrl-C")
    if os.path.lexists(args.out):
        raise BadInput(
            args.out, "exists already", "name another file: nothing recorded is replaced"
        )
    source = open_port(args)
    try:
        if args.json:
            with output(args.json, args.out, device=True) as part:
                result = recorded(source, spec, args.out, args.seconds)
                write_json(part, result)
        else:
            result = recorded(source, spec, args.out, args.seconds)
    finally:
        source.close()
    _say_how_it_went(source)
    shown_as = Shown(args.degrees, args.speed_basis)
    print_report(Subject(args.out, result, spec, shown_as, *Collected()), args.out)
    return 0


def open_port(args: Namespace) -> PortSource:
    """The board, greeted and started. Raises BadInput."""
    check_told(args)
    return PortSource(
        args.port, args.mode, not args.no_wait,
        encoder_pulses=args.encoder_pulses, kind=args.kind, supply_v=args.supply_v,
        series_ohm=args.series_ohm, temperature_c=args.temperature_c,
    )  # fmt: skip


def recorded(
    source: PortSource, spec: Specification | None, path: str, seconds: float | None = None
) -> dict[str, Any]:
    """Writes what comes to ``path`` and returns the result of it.

    Raises BadInput where the recording cannot be written on; it is then whole to its last block.
    """
    header = source.header
    measuring = analyzer(header, spec)

    def live() -> Live | None:
        return measuring.live() if isinstance(measuring, Analyzer) else None

    last = None if seconds is None else round(seconds * header.sample_rate_hz)
    with RecordingWriter(path, header) as writer, _stopped_by_ctrl_c(source.stop), _line() as show:
        flushed = time.monotonic()
        for event in upto(source, last):
            writer.write(event)
            measuring.feed(event)
            now = time.monotonic()
            if now - flushed >= FLUSH_S:
                writer.flush()
                flushed = now
            if show is not None:
                show(lambda: shown(source, live()))
    return measuring.finish()


def upto(source: PortSource, rows: int | None) -> Iterator[Event]:
    """Events of so many rows, then the board is stopped; None: of all that come."""
    enough = False
    for event in source:
        if rows is None:
            yield event
        elif isinstance(event, EdgeTimes):
            # Those of the last rows may come after them.
            within = event.time_s < rows / source.header.sample_rate_hz
            if within.any():
                yield EdgeTimes(event.name, event.time_s[within], event.rising[within])
        elif not enough:
            first, end = (
                event.first,
                event.first + len(event) if isinstance(event, Block) else event.end,
            )
            enough = end >= rows
            if isinstance(event, Hole):
                yield replace(event, end=min(end, rows))
            elif first < rows:
                yield Block(first, tuple(x[: rows - first] for x in event.samples))
            if enough:
                source.stop()


@contextmanager
def _stopped_by_ctrl_c(stop: Callable[[], None]) -> Iterator[None]:
    """The first Ctrl-C, or a polite kill, ends the recording; a second Ctrl-C ends the program."""

    def once(number: int, frame: object) -> None:
        del number, frame
        signal.signal(signal.SIGINT, signal.default_int_handler)
        stop()

    before = {n: signal.signal(n, once) for n in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


# --- on the terminal ------------------------------------------------------------------------------


@contextmanager
def _line() -> Iterator[Callable[[Callable[[], str]], None] | None]:
    """One line on standard error that is drawn over; None, and nothing shown, without a terminal."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield None
        return
    drawn = 0.0

    def show(words: Callable[[], str]) -> None:
        nonlocal drawn
        if time.monotonic() - drawn >= SHOW_S:  # only then are they worked out
            drawn, text = time.monotonic(), words()
            width = os.get_terminal_size(sys.stderr.fileno()).columns - 1
            print(f"\r{text[:width]:{width}}", end="", file=sys.stderr, flush=True)

    yield show
    print(file=sys.stderr)


def shown(source: PortSource, live: Live | None) -> str:
    """What the person at the bench needs while it goes on."""
    seconds, _ = source.progress()
    parts = ["SIMULATED" if source.header.simulated else "recording", f"{seconds:.0f} s"]
    if not source.there:
        return "  ".join([*parts, "the board is away: plug it in again"])
    if live is not None:
        parts.append("no figures yet" if live.rpm is None else f"{live.rpm:,.0f} rpm")
        parts += [] if live.dwell_deg is None else [f"dwell {live.dwell_deg:.2f} deg"]
        parts += [] if not live.covered else [_covered(live)]
    if source.counts.missing or source.counts.refused:
        parts.append(f"frames lost {source.counts.missing}")
    return "  ".join([*parts, "Ctrl-C ends it"])


def _covered(live: Live) -> str:
    text = f"covered {live.covered[0]:,.0f} to {live.covered[-1] + BIN_RPM:,.0f} rpm"
    missing = live.missing
    if missing:
        named = ", ".join(f"{rpm:,.0f}" for rpm in missing[:MOST_NAMED])
        text += f"; missing {named}" + (" ..." if len(missing) > MOST_NAMED else "")
    return text


def _say_how_it_went(source: PortSource) -> None:
    counts = source.counts
    if source.health.lost:
        many = "once" if source.health.lost == 1 else f"{source.health.lost} times"
        say(f"breakerbench record: the board was away {many} ({source.health.why_lost})")
    if counts.missing or counts.refused:
        say(
            f"breakerbench record: {counts.missing} frames lost, {counts.refused} refused on the wire"
        )
    if source.ended not in (None, "stopped as asked"):
        say(f"breakerbench record: ended, because {source.ended}")
