"""The console that reports are printed on."""

from __future__ import annotations

import os
import sys

from rich.console import Console

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
