"""VCD as an independent reader has it."""

from __future__ import annotations

import signal
from pathlib import Path
from typing import Any


def independently_read(path: Path) -> Any:
    """The file as vcdvcd reads it. Its import has a closed pipe kill this whole process, unasked."""
    pipe = getattr(signal, "SIGPIPE", None)
    kept = signal.getsignal(pipe) if pipe else None
    from vcdvcd import VCDVCD  # noqa: PLC0415

    if pipe:
        signal.signal(pipe, kept)
    return VCDVCD(str(path))
