"""``firmware``: the board's program, onto the board."""

from __future__ import annotations

from argparse import Namespace
from pathlib import Path

from rich.text import Text

from breakerbench.cli.terminal import terminal
from breakerbench.errors import harmless
from breakerbench.firmware import IMAGE, load
from breakerbench.firmware.drives import HOW, the_drive, write


def run(args: Namespace) -> int:
    """Writes the image to the board that waits, or says what it is. Returns the exit status."""
    image = load()
    lines = []
    if args.show:
        lines = [
            f"Firmware for boards with an RP2040, build {harmless(image.build)}.",
            f"The image: {IMAGE} ({len(image.data)} bytes).",
            f"To put it on a board: {HOW}: breakerbench firmware.",
            "No real board has run it yet: it was tried in an emulator alone.",
        ]
    else:
        drive = the_drive(None if args.drive is None else Path(args.drive))
        write(image, drive)
        lines = [
            f"Build {harmless(image.build)} is written to {harmless(str(drive))}.",
            "The drive goes away by itself and the board starts: its light gives a short flash every "
            "two seconds.",
            "Next: breakerbench ports. It should name a board of ours.",
            "If the drive comes back instead, pull the plug, wait a moment and write it once more.",
        ]
    console = terminal()
    for line in lines:
        console.print(Text(line), soft_wrap=True)
    return 0
