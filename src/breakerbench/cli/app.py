"""``app``: the desktop program. Qt is imported by it alone, and only here, by name."""

from __future__ import annotations

import importlib
import os
from argparse import Namespace

from breakerbench.errors import BadInput


def run(args: Namespace) -> int:
    """Shows the window until it is closed. Returns the exit status."""
    if args.file is not None and not os.path.isfile(args.file):
        raise BadInput(args.file, "there is no such file", "check the name")
    try:
        # Not an import statement: the command line and its layers stay without Qt.
        desktop = importlib.import_module("breakerbench.app.run")
    except ImportError as error:
        raise BadInput(
            "app", f"Qt cannot be loaded ({error})",
            "on Debian or Ubuntu: apt install libegl1 libgl1 libxkbcommon0 libdbus-1-3 libfontconfig1 "
            "libxcb-cursor0 libxcb-icccm4 libxcb-keysyms1 libxcb-shape0 libxkbcommon-x11-0",
        ) from error  # fmt: skip
    status: int = desktop.run(args.folder, args.file, args.port)
    return status
