"""A progress bar on standard error, where somebody can see it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

#: Called with what is done and the total, in any one unit; total 0 where it is not known.
Report = Callable[[float, float], None]


@contextmanager
def progress(what: str) -> Iterator[Report | None]:
    """Shows a bar while the block runs; None, and nothing shown, where there is no terminal."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield None
        return
    # Imported here: a script does not wait for what only a terminal shows.
    from rich.console import Console  # noqa: PLC0415
    from rich.progress import (  # noqa: PLC0415
        BarColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (
        TextColumn(what),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=None)

        def report(done: float, total: float) -> None:
            bar.update(task, completed=done, total=total or None)

        yield report
