"""The terminal: one console, text made harmless, a progress bar where somebody can see it."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

#: Called with what is done and the total, in any one unit; total 0 where it is not known.
Report = Callable[[float, float], None]

PIPED_COLUMNS = 80


class Terminal(Console):
    """A console that leaves a reader that went away to `main`, which has a status for it."""

    def on_broken_pipe(self) -> None:
        raise BrokenPipeError


def terminal() -> Console:
    """The console on standard output: styled on a terminal, plain and 80 columns wide elsewhere."""
    if sys.stdout is not None and hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="replace")  # an old code page must not stop a report
    width = None
    if not (sys.stdout is not None and sys.stdout.isatty()) and "COLUMNS" not in os.environ:
        width = PIPED_COLUMNS
    return Terminal(width=width, highlight=False, markup=False, emoji=False)


def harmless(text: str) -> str:
    """Text from a file as one line without control characters: it must not steer the terminal."""
    line = " ".join(text.split())
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in line)


@contextmanager
def progress(what: str) -> Iterator[Report | None]:
    """A progress bar on standard error while the block runs; None where that is no terminal."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield None
        return
    columns = (TextColumn(what), BarColumn(), TextColumn("{task.percentage:>3.0f} %"))
    with Progress(
        *columns, TimeRemainingColumn(), console=Console(stderr=True), transient=True
    ) as bar:
        task = bar.add_task(what, total=None)

        def report(done: float, total: float) -> None:
            bar.update(task, completed=done, total=total or None)

        yield report
