"""``record``: live from a board to a recording, measured as it comes."""

from __future__ import annotations

import os
import signal
import time
from argparse import Namespace
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

from breakerbench.cli.analyze import check_told, print_report
from breakerbench.cli.main import say
from breakerbench.cli.output import output, write_json
from breakerbench.cli.record_line import StatusLine, shown
from breakerbench.errors import BadInput
from breakerbench.judge.specification import Specification, find_specification
from breakerbench.papers.subject import Collected, Subject
from breakerbench.papers.words import Shown
from breakerbench.pipeline import Analyzer, analyzer
from breakerbench.sources.port import PortSource
from breakerbench.sources.recording_writer import RecordingWriter
from breakerbench.trace import Block, EdgeTimes, Event, Hole

#: The recording goes to the disk so often, s.
FLUSH_S = 1.0


def run(args: Namespace) -> int:
    """Record until Ctrl-C, ``--seconds`` or the board's end, then print the report."""
    spec = None if args.spec is None else find_specification(args.spec)
    if args.seconds is not None and not args.seconds > 0:
        raise BadInput("--seconds", "is not above 0", "leave it out to record until Ctrl-C")
    if os.path.lexists(args.out):
        raise BadInput(
            args.out, "exists already", "name another file: nothing recorded is replaced"
        )
    line = StatusLine()
    source = open_port(args, line)
    try:
        if args.json:
            with output(args.json, args.out, device=True) as part:
                result = recorded(source, spec, args.out, line, args.seconds)
                write_json(part, result)
        else:
            result = recorded(source, spec, args.out, line, args.seconds)
    finally:
        source.close()
    _say_how_it_went(source)
    shown_as = Shown(args.degrees, args.speed_basis)
    print_report(Subject(args.out, result, spec, shown_as, *Collected()), args.out)
    return 0


def open_port(args: Namespace, line: StatusLine) -> PortSource:
    """The board, greeted and started; while it is away, the line says so. Raises BadInput."""
    check_told(args)
    return PortSource(
        args.port, args.mode, not args.no_wait, sleep=line.pause,
        encoder_pulses=args.encoder_pulses, kind=args.kind, supply_v=args.supply_v,
        series_ohm=args.series_ohm, temperature_c=args.temperature_c,
    )  # fmt: skip


def recorded(
    source: PortSource,
    spec: Specification | None,
    path: str,
    line: StatusLine,
    seconds: float | None = None,
) -> dict[str, Any]:
    """Writes what comes to ``path`` and returns the result of it.

    Raises BadInput where the recording cannot be written on; it is then whole to its last block.
    """
    header = source.header
    measuring = analyzer(header, spec, watched=line.on_terminal)

    def words(width: int) -> str:
        live = measuring.live() if source.there and isinstance(measuring, Analyzer) else None
        return shown(source, live, width)

    last = None if seconds is None else round(seconds * header.sample_rate_hz)
    with (
        RecordingWriter(path, header) as writer,
        _stopped_by_ctrl_c(source.stop),
        line.showing(words),
    ):
        flushed = time.monotonic()
        for event in upto(source, last):
            writer.write(event)
            measuring.feed(event)
            now = time.monotonic()
            if now - flushed >= FLUSH_S:
                writer.flush()
                flushed = now
            line.draw()
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


# --- when it is over ---------------------------------------------------------------------------------


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
