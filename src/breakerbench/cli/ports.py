"""``ports``: what is plugged in."""

from __future__ import annotations

from argparse import Namespace

from rich.text import Text

from breakerbench.cli.terminal import terminal
from breakerbench.errors import harmless
from breakerbench.sources.line import ports


def run(args: Namespace) -> int:
    """A line for each serial port. Returns the exit status."""
    del args
    console = terminal()
    found = ports()
    for each in found:
        what = (
            f"a board of ours, serial number {each.serial or 'not told'}"
            if each.ours
            else "not ours"
        )
        text = f"{harmless(each.port)}: {what} ({harmless(each.description)})"
        console.print(Text(text), soft_wrap=True)
    if not any(each.ours for each in found):
        console.print(Text("No board of ours is plugged in. The simulated one: --port sim."))
    return 0
