"""``export``: any recording or import as CSV, WAV, VCD or a recording of our own."""

from __future__ import annotations

import os
import shlex
import sys
from argparse import Namespace
from collections.abc import Iterator
from pathlib import Path

from rich.text import Text

from breakerbench.cli.analyze import import_options
from breakerbench.cli.output import output, refuse_input
from breakerbench.cli.progress import progress
from breakerbench.cli.terminal import terminal
from breakerbench.errors import BadInput, harmless
from breakerbench.papers.words import SIMULATED
from breakerbench.sources.export import FORMS, Kept, kept
from breakerbench.sources.files import reason
from breakerbench.sources.open import open_trace
from breakerbench.sources.paired import Levels
from breakerbench.sources.recording import write_recording
from breakerbench.sources.stretch import Stretch
from breakerbench.trace import Block, Event, Hole, Source

#: Edges that no sample shows, as a share of all: from this on, the file would mislead.
MOST_LOST = 0.01


def run(args: Namespace) -> int:
    """Write ``args.out``, say what it lost and how it is read back. Returns the exit status."""
    form = form_of(args)
    refuse_input(args.out, args.file)
    source = open_trace(args.file, import_options(args))
    try:
        wanted: Source = source
        if args.from_s is not None or args.to_s is not None:
            wanted = Stretch(source, args.file, args.from_s, args.to_s)
        trace = _Input(args.file, wanted)
        says = _write(args, form, trace)
    finally:
        source.close()
    _say(args, form, says, trace)
    return 0


def form_of(args: Namespace) -> str:
    """The format asked for, or that of the name. Raises BadInput where neither tells."""
    if args.format is not None:
        return str(args.format)
    ending = Path(args.out).suffix.lower().removeprefix(".")
    if ending not in FORMS:
        mend = "end it in " + ", ".join(f".{each}" for each in FORMS) + ", or add --format"
        raise BadInput(f"--out {args.out}", "its name does not tell the format", mend)
    return ending


def _write(args: Namespace, form: str, trace: _Input) -> Kept:
    """Write the file. Returns what is said of it."""
    header = trace.header
    with progress("exporting") as report:
        if form == "bbr":
            write_recording(args.out, trace, report)
            return Kept((), (), ("breakerbench", "analyze", args.out))
        if not header.channels:
            raise BadInput(args.file, "holds no sampled channel", "export it to a recording (.bbr)")
        with output(args.out, args.file) as part:
            # Each has a library of its own, and the others need none of it.
            if form == "vcd":
                from breakerbench.sources.write_vcd import write_vcd  # noqa: PLC0415

                says = kept(header, form, args.out, args.file)
                write_vcd(part, trace, args.file, says.facts, report)
                return says
            if form == "csv":
                from breakerbench.sources.write_csv import write_csv  # noqa: PLC0415

                says = kept(header, form, args.out, args.file)
                levels = write_csv(part, trace, args.file, says.facts, report)
            else:
                from breakerbench.sources.write_wav import scales_of, write_wav  # noqa: PLC0415

                says = kept(header, form, args.out, args.file, scales_of(trace))
                levels = write_wav(part, trace, args.file, says.facts, report)
            return _with_lost_edges(args, form, says, levels)


def _with_lost_edges(args: Namespace, form: str, says: Kept, levels: Levels) -> Kept:
    """Says which edges fell between two samples; refuses a file that would mislead."""
    more = []
    for name, count in levels.lost.items():
        if not count:
            continue
        what = f"{count:,} of {levels.seen[name]:,} edges of {name} are shorter than a sample"
        if count > MOST_LOST * levels.seen[name]:
            mend = "export to VCD, which keeps the times of edges"
            raise BadInput(args.file, f"{what}, and {FORMS[form]} would not show them", mend)
        more.append(f"{what} and not in the file")
    return Kept(says.facts, (*says.lost, *more), says.words)


class _Input:
    """The trace to export: counts what was read, and tells its own faults from those of the output.

    samples  of each channel, of the last reading
    hole     the first in it
    """

    def __init__(self, where: str, source: Source) -> None:
        self._where, self._source, self.header = where, source, source.header
        self.samples = 0
        self.hole: Hole | None = None

    def __iter__(self) -> Iterator[Event]:
        self.samples, self.hole = 0, None
        events = iter(self._source)
        while True:
            try:
                event = next(events, None)
            except OSError as error:  # the disk failed, the stick was pulled out
                what = f"cannot be read on ({reason(error)})"
                raise BadInput(self._where, what, "copy it first") from error
            if event is None:
                return
            if isinstance(event, Block):
                self.samples += len(event)
            elif isinstance(event, Hole):
                self.hole = self.hole or event
            yield event

    def progress(self) -> tuple[float, float]:
        return self._source.progress()

    def close(self) -> None:
        self._source.close()


def _say(args: Namespace, form: str, says: Kept, trace: _Input) -> None:
    console = terminal()
    if trace.header.simulated:
        console.print(Text(SIMULATED, style="bold reverse"))
    seconds = trace.samples / trace.header.sample_rate_hz
    size = os.path.getsize(args.out) / 1e6
    name = harmless(args.out)
    console.print(Text(f"{name}: {seconds:g} s as {FORMS[form]}, {size:.1f} MB", style="bold"))
    lost = list(says.lost)
    if trace.hole is not None and form != "bbr":  # nothing came after it, else it was refused
        what = trace.hole.reason or "samples are missing"
        lost.append(f"that the trace did not end there: after {seconds:g} s {what}")
    if lost:
        console.print(Text(f"What {FORMS[form]} does not keep:"))
        for text in lost:
            console.print(Text(f"  - {harmless(text)}"))
    console.print(Text("To read it back:"))
    # As one line, however long: it is to be copied.
    print(f"  {harmless(shlex.join(says.words))}", file=sys.stdout)
