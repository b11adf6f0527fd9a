"""A small drawing of each figure that the help explains."""

from __future__ import annotations

from collections.abc import Callable
from math import cos, exp, pi, sin

from PySide6.QtCore import QRectF
from PySide6.QtGui import QPainter

from breakerbench.app.theme import Inks
from breakerbench.app.views.sketch import Sketch, arc, around

Drawing = Callable[[QPainter, QRectF, Inks], None]

#: A cam of four lobes in the drawings: middle, mean radius, height of its lobes, deg of a closed time.
X, Y, RADIUS, LOBE, CLOSED = 42.0, 29.0, 16.0, 2.2, 54.0


def drawing(key: str) -> Drawing:
    """The drawing of the figure ``key``. Raises KeyError where there is none."""
    draw = DRAWINGS[key]

    def painted(painter: QPainter, place: QRectF, inks: Inks) -> None:
        painter.save()
        draw(Sketch(painter, place, inks))
        painter.restore()

    return painted


def _cam(sketch: Sketch) -> None:
    angles = [3.0 * k for k in range(121)]
    outline = [around(X, Y, RADIUS + LOBE * cos(4.0 * a * pi / 180.0), a) for a in angles]
    sketch.area(outline, "card", "ink")
    sketch.dot(X, Y, "ink", 3.0)


def _dwell(sketch: Sketch) -> None:
    for lobe in range(4):
        start = 45.0 + 90.0 * lobe - 0.5 * CLOSED
        role = "band" if lobe else "spread"
        sketch.area([(X, Y), *arc(X, Y, 24.0, start, start + CLOSED)], role)
    _cam(sketch)
    start, end = 45.0 - 0.5 * CLOSED, 45.0 + 0.5 * CLOSED
    for angle in (start, end):
        sketch.line([(X, Y), around(X, Y, 27.0, angle)], "accent", 1.6)
    sketch.line(arc(X, Y, 25.5, start, end), "accent", 3.0)
    sketch.word(*around(X, Y, 29.0, 45.0), "dwell: closed", "accent", 0.0)
    sketch.word(*around(X, Y, 21.5, 0.0), "open", "muted", 0.0)
    sketch.word(*around(X, Y, 21.5, 180.0), "open", "muted", 1.0)
    sketch.word(*around(X, Y, 26.0, 225.0), "closed", "muted", 1.0)


def _spacing(sketch: Sketch) -> None:
    _cam(sketch)
    for lobe in range(4):
        angle = 90.0 * lobe
        sketch.line([(X, Y), around(X, Y, 25.0, angle)], "muted", 1.4, dashed=True)
        actual = angle - (12.0 if lobe == 0 else 0.0)
        sketch.line([(X, Y), around(X, Y, 23.0, actual)], "accent" if lobe == 0 else "ink", 2.2)
    sketch.line(arc(X, Y, 24.0, 0.0, -12.0), "accent", 3.0)
    sketch.word(*around(X, Y, 26.5, -8.0), "opens late", "accent", 0.0)
    sketch.word(*around(X, Y, 26.5, 8.0), "where it should", "muted", 0.0)


def _scatter(sketch: Sketch) -> None:
    sketch.axes("turn after turn", "angle of the opening")
    sketch.area([(8, 23), (74, 23), (74, 39), (8, 39)], "band")
    sketch.line([(8, 31), (74, 31)], "ink", 2.0)
    for k in range(22):
        # Wanders without any order that the eye would find.
        sketch.dot(10.5 + 2.9 * k, 31.0 + 6.5 * sin(12.9898 * k * k + 4.1) + 3.0 * sin(78.2 * k))
    sketch.between((79, 23), (79, 39))
    sketch.word(82, 31, "scatter", "accent", 0.0)


def _bounce(sketch: Sketch) -> None:
    sketch.axes("time", "voltage of the points")
    trace = [
        (8, 44), (26, 44), (26, 12), (34, 12), (34, 36), (39, 36), (39, 12), (45, 12), (45, 27),
        (49, 27), (49, 12), (95, 12),
    ]  # fmt: skip
    sketch.line(trace, "ink", 2.2)
    for x in (26, 49):
        sketch.line([(x, 12), (x, 52)], "muted", 1.2, dashed=True)
    sketch.between((26, 49), (49, 49))
    sketch.word(52, 49, "settling", "accent", 0.0)
    sketch.word(52, 30, "contact lost again", "ink", 0.0)
    sketch.word(17, 39, "open", "muted")
    sketch.word(78, 17, "closed", "muted")


def _advance(sketch: Sketch) -> None:
    sketch.axes("speed", "advance")
    sketch.area(
        [(8, 8), (28, 8), (66, 37), (96, 37), (96, 49), (62, 49), (24, 18), (8, 16)], "band"
    )
    sketch.line([(8, 12), (27, 12), (64, 43), (96, 43)], "accent", 2.4)
    sketch.word(10, 33, "weights at rest", "muted", 0.0)
    sketch.word(62, 27, "weights fly out", "muted", 0.0)
    sketch.word(80, 53, "at their stop", "muted")


def _hysteresis(sketch: Sketch) -> None:
    sketch.axes("speed", "advance")
    sketch.line([(8, 12), (34, 12), (76, 46), (96, 46)], "accent", 2.4)
    sketch.line([(96, 47), (68, 47), (20, 12)], "second", 2.4, dashed=True)
    sketch.arrow((58, 31.4), (61, 33.8), "accent")
    sketch.arrow((36, 23.6), (33, 21.4), "second")
    sketch.between((47, 22.5), (47, 31.7), "ink")
    sketch.word(50, 22, "hysteresis", "ink", 0.0)
    sketch.word(66, 34, "rising", "accent", 0.0)
    sketch.word(40, 39, "falling", "second", 1.0)


def _drop(sketch: Sketch) -> None:
    sketch.axes("time", "voltage of the points")
    sketch.line([(8, 44), (24, 44), (24, 18), (78, 18), (78, 44), (95, 44)], "ink", 2.2)
    sketch.line([(8, 10), (95, 10)], "muted", 1.4, dashed=True)
    sketch.between((70, 10), (70, 18))
    sketch.word(67, 14, "drop", "accent", 1.0)
    sketch.word(51, 24, "closed", "muted")
    sketch.word(86, 39, "open", "muted")
    sketch.word(30, 14, "0 V", "muted", 0.5)


def _current(sketch: Sketch) -> None:
    sketch.axes("time", "current through the coil")
    rise = [(14.0 + 0.44 * k, 8.0 + 36.0 * (1.0 - exp(-k / 28.0))) for k in range(101)]
    sketch.line([(8, 8), (14, 8), *rise, (58, 8), (96, 8)], "ink", 2.2)
    sketch.dot(58, rise[-1][1], "accent", 5.0)
    sketch.word(61, rise[-1][1], "at the opening", "accent", 0.0)
    sketch.word(15, 13, "first touch", "muted", -0.12)


def _condenser(sketch: Sketch) -> None:
    sketch.axes("time", "voltage of the condenser")
    charge = [(10.0 + 0.4 * k, 8.0 + 38.0 * (1.0 - exp(-k / 22.0))) for k in range(101)]
    hold = [(50.0 + k, charge[-1][1] - 0.2 * k) for k in range(47)]
    sketch.line([*charge, *hold], "ink", 2.2)
    sketch.line([charge[-1], (96, charge[-1][1])], "muted", 1.4, dashed=True)
    sketch.between((92, charge[-1][1]), (92, hold[-5][1]))
    sketch.word(89, 33, "leaks away", "accent", 1.0)
    sketch.word(24, 24, "charge: capacitance", "ink", 0.0)
    sketch.word(72, 50, "hold", "muted")


def _burn(sketch: Sketch) -> None:
    sketch.axes("time", "voltage of the points")
    ring = [(70.0 + 0.5 * k, 16.0 + 7.0 * cos(k / 3.2) * exp(-k / 14.0)) for k in range(51)]
    sketch.line([(8, 9), (18, 9), (18, 52), (20, 20), (22, 32), (24, 25), (27, 27)], "ink", 2.0)
    sketch.line([(27, 27), (70, 26), ring[0], *ring], "ink", 2.0)
    for x in (18, 70):
        sketch.line([(x, 9), (x, 44)], "muted", 1.2, dashed=True)
    sketch.between((18, 40), (70, 40))
    sketch.word(44, 45, "duration", "accent")
    sketch.word(47, 32, "burn line", "ink")
    sketch.word(83, 29, "rings out", "muted")


def _uncertainty(sketch: Sketch) -> None:
    sketch.area([(6, 10), (96, 10), (96, 34), (6, 34)], "band")
    sketch.line([(6, 34), (96, 34)], "muted", 2.0)
    sketch.word(7, 38, "limit", "muted", 0.0)
    sketch.word(95, 14, "inside the limits", "muted", 1.0)
    for x, y, word, role in (
        (20, 22, "pass", "ink"), (54, 36, "too close to call", "accent"), (88, 47, "fail", "ink"),
    ):  # fmt: skip
        sketch.line([(x, y - 7), (x, y + 7)], role, 2.0)
        for end in (y - 7, y + 7):
            sketch.line([(x - 1.5, end), (x + 1.5, end)], role, 2.0)
        sketch.dot(x, y, role, 4.5)
        sketch.word(x, 5, word, role)
    sketch.word(23, 25, "± uncertainty", "muted", 0.0)


DRAWINGS: dict[str, Callable[[Sketch], None]] = {
    "dwell": _dwell,
    "spacing": _spacing,
    "scatter": _scatter,
    "bounce": _bounce,
    "advance": _advance,
    "hysteresis": _hysteresis,
    "drop": _drop,
    "current": _current,
    "condenser": _condenser,
    "burn": _burn,
    "uncertainty": _uncertainty,
}
