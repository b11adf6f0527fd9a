"""Drives on which a board waits for its firmware, and how the image gets there."""

from __future__ import annotations

import os
import string
import sys
from pathlib import Path

from breakerbench.errors import BadInput
from breakerbench.firmware import KIND, TOLD_BY, Image

NAME = "breakerbench-rp2040.uf2"
HOW = (
    "hold the board's BOOTSEL button down while you plug it in (or let the program restart it as a "
    "drive), wait until the drive shows, then again"
)


def places() -> list[Path]:
    """Where this system shows drives."""
    if sys.platform == "win32":
        return [Path(f"{letter}:\\") for letter in string.ascii_uppercase]
    if sys.platform == "darwin":
        roots = [Path("/Volumes")]
    else:
        user = os.environ.get("USER", "")
        roots = [Path("/media") / user, Path("/run/media") / user, Path("/media"), Path("/mnt")]
    found: list[Path] = []
    for root in roots:
        try:
            found += [p for p in sorted(root.iterdir()) if p not in found]
        except OSError:
            continue
    return found


def is_board(drive: Path) -> bool:
    """Whether a board's boot ROM made this drive."""
    try:
        return KIND in (drive / TOLD_BY).read_text("utf-8", "replace")
    except OSError:
        return False


def the_drive(asked: Path | None = None, there: list[Path] | None = None) -> Path:
    """The drive of the one board that waits, or the one asked for. Raises BadInput with the mend."""
    if asked is not None:
        if not is_board(asked):
            what = f"is not the drive of a board with an RP2040 (no {TOLD_BY} of one on it)"
            raise BadInput(str(asked), what, HOW)
        return asked
    drives = [d for d in (places() if there is None else there) if is_board(d)]
    if not drives:
        raise BadInput("board", "no board shows as a drive", f"{HOW}; or name it with --drive")
    if len(drives) > 1:
        names = ", ".join(map(str, drives))
        raise BadInput("board", f"more than one board waits ({names})", "name one with --drive")
    return drives[0]


def write(image: Image, drive: Path) -> Path:
    """Puts the image on a board's drive. Raises BadInput where the system refuses.

    The board restarts as soon as it has the last block: an error at the close, when all was written, is
    then no failure.
    """
    target = drive / NAME
    written = False
    try:
        with target.open("wb") as file:
            file.write(image.data)
            file.flush()
            written = True
            os.fsync(file.fileno())
    except OSError as error:
        if not written:
            mend = "unplug the board and begin anew; on Linux see that the drive is mounted for you"
            raise BadInput(str(target), f"cannot be written ({error.strerror})", mend) from error
    return target
