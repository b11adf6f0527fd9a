"""Inks, letters and sizes of the window, light and dark.

No meaning hangs on a colour alone: every mark differs in shape, line or word as well, and the inks were
chosen to stay apart in grey and for eyes that do not tell red from green (blue against orange).
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from PySide6.QtGui import QFont, QFontDatabase

#: Letters: those that come with the plotting library, so that the window is the same everywhere, on a
#: machine without any fonts too.
FAMILY = "DejaVu Sans"
#: Points: small print, text, what to do next, the question, and the least and most of the great figure.
SMALL_PT, TEXT_PT, NEXT_PT, QUESTION_PT = 10.0, 12.0, 16.0, 22.0
FIGURE_PT = (48.0, 220.0)
#: Least height of what is touched, pixels at 100 %: a thumb in a glove is 15 mm wide.
TOUCH_PX = 52


@dataclass(frozen=True)
class Inks:
    """Colours by what they are for, as #rrggbb."""

    dark: bool
    paper: str  # behind everything
    card: str  # behind a picture or an answer
    ink: str  # words and the mean of a trace
    muted: str  # words of less weight, scales
    line: str  # rules, grids
    accent: str  # what to do next, the newest, speed rising
    on_accent: str  # words upon it
    second: str  # speed falling
    band: str  # inside the limits
    spread: str  # lowest to highest of the last hundred
    notice: str  # old, away, simulated: behind words in ``on_notice``
    on_notice: str
    fail: str  # behind the word, in ``on_fail``
    on_fail: str


LIGHT = Inks(
    dark=False, paper="#f3f1ea", card="#ffffff", ink="#15191c", muted="#555d63", line="#cbc8be",
    accent="#0b4f8a", on_accent="#ffffff", second="#a84a00", band="#dbe7f1", spread="#c3cbd1",
    notice="#ffe3a8", on_notice="#3d2a00", fail="#7d1026", on_fail="#ffffff",
)  # fmt: skip
DARK = Inks(
    dark=True, paper="#12161a", card="#1b2126", ink="#f2efe7", muted="#aab3b9", line="#3b454c",
    accent="#86bdf2", on_accent="#0a1117", second="#f3a55c", band="#22394d", spread="#46525b",
    notice="#57420f", on_notice="#ffe9bd", fail="#ffb0a6", on_fail="#2b0309",
)  # fmt: skip


def load_letters() -> None:
    """Makes ``FAMILY`` known to Qt; a machine's own letters serve where it cannot be found."""
    found = find_spec("matplotlib")
    if found is None or found.origin is None:
        return
    folder = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf"
    for name in ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf"):
        if (folder / name).is_file():
            QFontDatabase.addApplicationFont(str(folder / name))


def letters(points: float, bold: bool = False) -> QFont:
    """Letters of this size."""
    font = QFont(FAMILY)
    font.setPointSizeF(points)
    font.setBold(bold)
    return font
