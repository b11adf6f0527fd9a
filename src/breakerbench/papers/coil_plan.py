"""The picture of a coil's circuit that was worked out: current and voltage over speed, as bands.

It computes nothing: it draws a `Plan`. Bands are grey with a hatch each, their ends lines of their
own, so that nothing depends on colour.
"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from breakerbench.cautions import SHORT_CAUTION
from breakerbench.errors import harmless
from breakerbench.papers.coil_words import assumption, verdict_title, what_was_told
from breakerbench.papers.page import (
    HEAD_PT,
    PAGE_CHARACTERS,
    SMALL_PT,
    TEXT_PT,
    new_page,
    own_style,
)
from breakerbench.papers.panels import BAND, COLUMN, COLUMN_CHARACTERS, panel_lines
from breakerbench.papers.subject import BLACK, GREY, INKS, Subject
from breakerbench.papers.words import Shown
from breakerbench.tools.ignition_figures import CONTACTS_A, REFERENCE_SECONDARY_V, Band
from breakerbench.tools.ignition_plan import Plan
from breakerbench.tools.ignition_words import RIGHT, TOO_CLOSE, UNDECIDED

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

TITLE = "Coil, resistor and supply over speed"
#: Said in the place where the other pictures say which specification they are held against.
WORKED_OUT = "worked out from what was told and what was assumed; nothing was measured here"
WORKED_OUT_AND_MEASURED = (
    "worked out from what was told, a measurement at rest among it, and assumed"
)
DOTS = (0, (1.5, 2.5))
#: Lines that the words beside the panels may take.
SENTENCE_LINES, ALL_LINES = 6, 24
MOST_FOOTER_LINES = 4


def coil_plan(made: Plan, shown: Shown) -> Figure:
    """The page: current above, available voltage below, the verdict and what to do beside them."""
    with own_style():
        page = new_page(TITLE, Subject(what_was_told(made.told, shown), {}, None, shown))
        # Nothing is held against a specification here: the third line says what this is.
        measured = made.told.standing_a is not None or made.told.feed_v is not None
        page.texts[2].set_text(WORKED_OUT_AND_MEASURED if measured else WORKED_OUT)
        upper = page.add_axes((0.085, 0.58, 0.565, 0.265))
        lower = page.add_axes((0.085, 0.235, 0.565, 0.265))
        _current(upper, made, shown)
        _voltage(lower, made, shown)
        _beside(page, made)
        _footer(page, made, shown)
    return page


def _current(axes: Axes, made: Plan, shown: Shown) -> None:
    bands = [row.current_a for row in made.curve]
    top = 1.12 * max(CONTACTS_A.high, *(each.high for each in bands))
    look: dict[str, Any] = {"facecolor": BAND, "edgecolor": GREY, "linestyle": DOTS, "zorder": 0.5}
    axes.axhspan(CONTACTS_A.low, CONTACTS_A.high, **look)
    _strip(axes, made, shown, bands, 1.0, top)
    axes.set_ylabel("current, A")
    _over(axes, "Current when the points open", "shaded: contacts take 4 to 5 A, TM 9-8000")


def _voltage(axes: Axes, made: Plan, shown: Shown) -> None:
    bands = [row.secondary_v for row in made.curve]
    top = 1.12e-3 * max(REFERENCE_SECONDARY_V, *(each.high for each in bands))
    _strip(axes, made, shown, bands, 1e-3, top)
    reference = 1e-3 * REFERENCE_SECONDARY_V
    axes.axhline(reference, color=BLACK, linestyle=DOTS, linewidth=2.0, zorder=3)
    axes.set_ylabel("voltage, kV")
    axes.set_xlabel(f"speed, {shown.unit('rpm')}")
    what = f"dotted: {reference:.0f} kV, a coil in order, TM 9-8000"
    _over(axes, "Secondary voltage to jump a gap", what)


def _over(axes: Axes, title: str, reference: str) -> None:
    """Over a panel: what it shows, and what it can be compared with."""
    axes.set_title(title, loc="left", size=HEAD_PT, weight="bold")
    axes.set_title(reference, loc="right", size=SMALL_PT)


def _strip(
    axes: Axes, made: Plan, shown: Shown, bands: list[Band], factor: float, top: float
) -> None:
    """A band over speed: hatched between its ends, the ends as lines, the lower one dashed."""
    speeds = [row.rpm * shown.factor("rpm") for row in made.curve]
    low, high = ([getattr(each, end) * factor for each in bands] for end in ("low", "high"))
    axes.fill_between(
        speeds, low, high, facecolor="none", edgecolor="#9a9a9a", hatch="////", linewidth=0, zorder=1
    )  # fmt: skip
    axes.plot(speeds, high, color=BLACK, linewidth=2.0, zorder=2, label="highest")
    axes.plot(
        speeds, low, color=BLACK, linewidth=2.0, linestyle=(0, (2, 1.5)), zorder=2, label="lowest"
    )
    axes.set_xlim(speeds[0], speeds[-1])
    axes.set_ylim(0.0, top)
    axes.grid(axis="both")


def _beside(page: Figure, made: Plan) -> None:
    """The verdict and what to do first, as far as there is room."""
    verdict = made.verdict
    ink = INKS["green"] if verdict.key == RIGHT else INKS["bold red"]
    if verdict.key in (UNDECIDED, TOO_CLOSE):
        ink = INKS["yellow"]
    top = _paragraph(
        page, 0.845, panel_lines("Verdict: " + verdict_title(verdict), 32, 2), HEAD_PT, ink
    )
    sentence = panel_lines(harmless(verdict.sentence), COLUMN_CHARACTERS, SENTENCE_LINES)
    top = _paragraph(page, top, sentence)
    top = _paragraph(page, top, ["What to do"], HEAD_PT)
    left = ALL_LINES - len(sentence)
    for step in verdict.to_do:
        lines = textwrap.wrap(f"- {step}", COLUMN_CHARACTERS, subsequent_indent="  ")
        if len(lines) > left:
            _paragraph(page, top, ["- ... and more: read the report."])
            break
        top = _paragraph(page, top, lines, gap=0.004)
        left -= len(lines)


def _paragraph(
    page: Figure,
    top: float,
    lines: list[str],
    size: float = TEXT_PT,
    ink: str = BLACK,
    gap: float = 0.012,
) -> float:
    """Lines of words in the column beside the panels. Returns where the next may begin."""
    text = page.text(
        COLUMN, top, "\n".join(lines), size=size, color=ink, va="top", linespacing=1.25,
        weight="bold" if size > TEXT_PT else "normal",
    )  # fmt: skip
    return float(text.get_window_extent().y0 / page.bbox.height) - gap


def _footer(page: Figure, made: Plan, shown: Shown) -> None:
    bands = (
        "Between the lines: winding cold to warm, and what is assumed: "
        + "; ".join(assumption(each, source=False) for each in made.assumed)
        + "."
    )
    lines = textwrap.wrap(
        harmless(bands), PAGE_CHARACTERS, max_lines=MOST_FOOTER_LINES, placeholder=" ..."
    )
    lines += [str(shown), SHORT_CAUTION]
    page.text(0.02, 0.015, "\n".join(lines), size=SMALL_PT, color=BLACK, va="bottom")
