"""Prints what is cramped in 1280 x 800 at the scale that the environment sets."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from app.driving import no_dialogs, opened
from app.finished import finished
from app.screens import cramped_screens
from breakerbench.app.run import application


def main(folder: str, scale: float) -> None:
    application()
    with pytest.MonkeyPatch.context() as patched, no_dialogs(patched):
        finished(Path(folder))
        driven = opened(folder, still=True)
        driven.window.resize(1280, 800)
        found = cramped_screens(driven)
        image = driven.window.grab()
        driven.window.close()
    pixels, asked = [image.width(), image.height()], [round(1280 * scale), round(800 * scale)]
    print(json.dumps({"cramped": found, "pixels": pixels, "asked": asked}))


if __name__ == "__main__":
    main(sys.argv[1], float(sys.argv[2]))
