"""A page of pictures: its look, title, legend, footer, and the PNG of it.

The one door to the drawing library (matplotlib, Agg, no display): what it would say on standard
error and what a person has set for it elsewhere are kept out.
"""

from __future__ import annotations

import io
import logging
import os
import textwrap
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

# A backend that somebody set for his notebooks is none of ours; and standard error is for our own
# line, so what the library says about his settings while it starts is dropped. Nothing else imports
# it at run time, because this must come first.
os.environ["MPLBACKEND"] = "agg"
logging.getLogger("matplotlib").setLevel(logging.CRITICAL)

import matplotlib as mpl  # noqa: E402
from matplotlib.axes import Axes  # noqa: E402
from matplotlib.backends.backend_agg import FigureCanvasAgg  # noqa: E402
from matplotlib.figure import Figure  # noqa: E402

from breakerbench.cautions import SHORT_CAUTION  # noqa: E402
from breakerbench.errors import harmless  # noqa: E402
from breakerbench.papers.subject import (  # noqa: E402
    AT_STATED,
    BLACK,
    BURN_LINE,
    BY_FIGURES,
    CHARGED,
    FALLING,
    FITTED,
    GREY,
    INSIDE,
    INSIDE_FALLING,
    LEFT,
    MEAN_TRACE,
    MEASURED,
    NO_U,
    RISING,
    SHARE,
    SINGLE,
    SPARK_END,
    SPREAD,
    Subject,
)
from breakerbench.papers.words import SIMULATED  # noqa: E402

#: Laid out for a screen of 1280 by 800; drawn at twice that for print.
SIZE_INCH, LAYOUT_DPI, DPI = (12.8, 8.0), 100, 200
TITLE_PT, HEAD_PT, TEXT_PT, SMALL_PT = 17, 14, 12, 11
NOT_HELD = "no specification: nothing is judged"
#: The order of the marks in a legend.
MARKS = (
    MEASURED, RISING, FALLING, NO_U, SHARE, MEAN_TRACE, SPREAD, SINGLE, "aim", "limit", INSIDE,
    INSIDE_FALLING, CHARGED, FITTED, LEFT, BY_FIGURES, AT_STATED, BURN_LINE, SPARK_END,
)  # fmt: skip
#: Characters that a line over the whole page can hold.
PAGE_CHARACTERS, MOST_NOTES = 150, 3


@contextmanager
def own_style() -> Iterator[None]:
    """The library's own defaults, whatever a person has set for himself, and ours upon them."""
    with mpl.rc_context(), warnings.catch_warnings():
        # A name in a script that the font does not have: boxes in its place.
        warnings.filterwarnings("ignore", message=".*[Gg]lyph.*", category=UserWarning)
        mpl.rcdefaults()
        mpl.rcParams.update(
            {
                "font.size": TEXT_PT,
                "text.parse_math": False,  # a $ in a name is a $
                "axes.edgecolor": GREY,
                "axes.labelcolor": BLACK,
                "axes.formatter.useoffset": False,
                # The letters as outlines: they look the same wherever the file goes. Its names of
                # parts come from a fixed word and not from chance: same input, same bytes.
                "svg.fonttype": "path",
                "svg.hashsalt": "breakerbench",
                "axes.axisbelow": True,
                "grid.color": "#e4e4e4",
                "xtick.color": GREY,
                "ytick.color": GREY,
                "xtick.labelcolor": BLACK,
                "ytick.labelcolor": BLACK,
            }
        )
        yield


def png(picture: Figure, title: str) -> bytes:
    """A picture as a PNG file."""
    file = io.BytesIO()
    about = {"Title": harmless(title), "Software": "Breakerbench"}
    with own_style():
        picture.savefig(file, format="png", dpi=DPI, metadata=about)
    return file.getvalue()


def svg(picture: Figure, title: str) -> bytes:
    """A picture as an SVG file, without a date."""
    file = io.BytesIO()
    about = {"Title": harmless(title), "Creator": "Breakerbench", "Date": None}
    with own_style():
        picture.savefig(file, format="svg", metadata=about)
    return file.getvalue()


def new_page(what: str, subject: Subject) -> Figure:
    """An empty page under its title."""
    page = Figure(figsize=SIZE_INCH, dpi=LAYOUT_DPI, facecolor="white")
    FigureCanvasAgg(page)  # which the page keeps: texts are measured on it
    _title(page, what, subject)
    return page


def _title(page: Figure, what: str, subject: Subject) -> None:
    """What is shown, of which trace, against what, measured how; simulated before all else."""
    result, shown = subject.result, subject.shown
    trace, speed = result.get("trace") or {}, result.get("speed") or {}
    right = 0.98
    if trace.get("simulated"):
        box = {"facecolor": BLACK, "edgecolor": BLACK, "boxstyle": "square,pad=0.35"}
        label = page.text(
            0.97, 0.972, SIMULATED, color="white", weight="bold", ha="right", va="top", bbox=box
        )  # fmt: skip
        right = label.get_window_extent().x0 / page.bbox.width - 0.03
    _fitted(page, 0.978, what, TITLE_PT, right, weight="bold")
    _fitted(page, 0.936, subject.title, TEXT_PT, 0.98, weight="bold")
    spec = subject.spec
    against = f"against {spec.distributor.name}" if spec is not None else NOT_HELD
    _fitted(page, 0.906, against, TEXT_PT, 0.98)
    parts = []
    rate = trace.get("sample_rate_hz")
    if trace.get("seconds") is not None:
        parts.append(f"{trace['seconds']:,.1f} s" + (f" at {rate:,.6g} samples/s" if rate else ""))
    if trace.get("reference"):
        without = trace["reference"] == "none"
        parts.append("no index, no encoder" if without else f"angle from {trace['reference']}")
    if speed.get("min_rpm") is not None and speed.get("max_rpm") is not None:
        ends = [speed[key] * shown.factor("rpm") for key in ("min_rpm", "max_rpm")]
        low, high = (f"{each:,.0f}" for each in ends)
        parts.append(f"{low if low == high else f'{low} to {high}'} {shown.unit('rpm')}")
    if speed.get("revolutions") is not None:
        parts.append(f"{speed['revolutions']:,.0f} revolutions of the distributor")
    _fitted(page, 0.876, "; ".join(parts), TEXT_PT, 0.98)


def _fitted(page: Figure, y: float, text: str, size: float, right: float, **look: Any) -> None:
    """A line from the left margin, its middle left out where it would not end before ``right``."""
    whole = harmless(text)
    line = page.text(0.02, y, whole, size=size, va="top", **look)
    keep = min(len(whole), 240)
    while line.get_window_extent().x1 > right * page.bbox.width and keep > 10:
        keep -= 4
        line.set_text(f"{whole[: keep * 2 // 3]} ... {whole[-(keep // 3) :]}")


def legend(page: Figure, panels: Sequence[Axes], top: float) -> None:
    """What the marks of all panels are, once each."""
    marks: dict[str, Any] = {}
    for axes in panels:
        handles, labels = axes.get_legend_handles_labels()
        marks |= dict(zip(labels, handles, strict=True))
    seen = [mark for mark in MARKS if mark in marks]
    if not seen:
        return
    # Two rows where one does not go onto the page.
    for columns in (len(seen), (len(seen) + 1) // 2):
        made = page.legend(
            [marks[mark] for mark in seen], seen, loc="upper center", bbox_to_anchor=(0.5, top),
            ncols=columns, frameon=False, fontsize=TEXT_PT, columnspacing=2.0, labelspacing=0.3,
        )  # fmt: skip
        if made.get_window_extent().width <= page.bbox.width:
            return
        made.remove()


def footer(page: Figure, subject: Subject, notes: Sequence[str]) -> None:
    """Notes, the meaning of the numbers, the caution, from the bottom up."""
    counts = [(what, len(subject.get(f"{what}s") or [])) for what in ("warning", "note")]
    some = [f"{count} {what}{'' if count == 1 else 's'}" for what, count in counts if count]
    if some:
        notes = [f"The report has {' and '.join(some)} about this trace.", *notes]
    lines = [line for note in notes for line in textwrap.wrap(harmless(note), PAGE_CHARACTERS)]
    if len(lines) > MOST_NOTES:
        lines[MOST_NOTES - 1] = "... and more: read the report."
    about = f"± is an expanded uncertainty, 95.45 %. {subject.shown}"
    lines = [*lines[:MOST_NOTES], about, SHORT_CAUTION]
    page.text(0.02, 0.015, "\n".join(lines), size=SMALL_PT, color=BLACK, va="bottom")
