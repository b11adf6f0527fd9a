"""What stands on a page of pictures, for the tests."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text


def texts(page: Figure) -> list[Text]:
    """Every text that is seen: numbers beyond the end of an axis are there but never drawn."""
    beyond = set()
    for axes in page.axes:
        for axis, ends in ((axes.xaxis, axes.get_xlim()), (axes.yaxis, axes.get_ylim())):
            for tick in axis.get_major_ticks():
                if not min(ends) <= tick.get_loc() <= max(ends):
                    beyond |= {tick.label1, tick.label2}
    return [
        each
        for each in page.findobj(Text)
        if each.get_visible() and each.get_text().strip() and each not in beyond
    ]


def said(page: Figure) -> str:
    return " ".join(" ".join(each.get_text() for each in texts(page)).split())


def bars(axes: Axes) -> list[tuple[float, float, float, float]]:
    """Of each point with a bar: its place, its value, the ends of the bar."""
    found = []
    for container in axes.containers:
        points, _, (segments,) = container.lines  # type: ignore[attr-defined]
        across = segments.get_segments()[0]
        value, place = (0, 1) if across[0][1] == across[1][1] else (1, 0)
        for at, ends in zip(points.get_xydata(), segments.get_segments(), strict=True):
            found.append((at[place], at[value], ends[0][value], ends[1][value]))
    return found


def band(axes: Axes, along: str = "x") -> tuple[float, float]:
    (patch,) = [each for each in axes.patches if each.get_label() == "inside the limits"]
    low, size = (
        (patch.get_x(), patch.get_width()) if along == "x" else (patch.get_y(), patch.get_height())
    )
    return low, low + size


def line(axes: Axes, label: str, along: str = "x") -> list[float]:
    found = [each for each in axes.lines if each.get_label() == label]
    return sorted((each.get_xdata() if along == "x" else each.get_ydata())[0] for each in found)
