"""Whether Qt can be loaded here, and the mend where it cannot."""

from __future__ import annotations

MEND = "on Debian or Ubuntu: apt install libegl1 libgl1 libxkbcommon0 libdbus-1-3 libfontconfig1"


def why_not() -> str:
    """Why Qt cannot be loaded; "" where it can."""
    try:
        import pyqtgraph  # noqa: F401, PLC0415
        import PySide6.QtWidgets  # noqa: F401, PLC0415
    except ImportError as error:
        return f"Qt cannot be loaded ({error}); {MEND}"
    return ""


WHY_NOT = why_not()
