"""What each figure is, and what it tells the person at the bench: two sentences each.

What a figure is, is defined in DEVELOPERS.md; what it points to is common practice, no source.
"""

from __future__ import annotations

from typing import NamedTuple


class Explained(NamedTuple):
    """key: of the drawing too; what it is; what it tells."""

    key: str
    name: str
    what: str
    tells: str


EXPLAINED: tuple[Explained, ...] = (
    Explained(
        "dwell", "Dwell angle",
        "Dwell is how many degrees the distributor turns while the points stay closed, from first touch "
        "to the opening that ends it, lobe by lobe.",
        "Too little dwell means the gap is too wide, too much that it is too narrow; with new points aim "
        "for the lower part of the limits, because the rubbing block beds in and dwell rises.",
    ),
    Explained(
        "spacing", "Lobe spacing",
        "Spacing error is how late, or with a minus how early, the points open at a lobe, against where "
        "the lobes should stand.",
        "One lobe that is off each turn points to a worn cam or a bent shaft: its cylinder gets its "
        "spark at the wrong moment, and no setting of the gap mends that.",
    ),
    Explained(
        "scatter", "Opening scatter",
        "Scatter is how far the openings of the same lobe wander from turn to turn, as a standard "
        "deviation, with the advance taken out.",
        "Large scatter means something is loose, most often worn shaft bushings; check with the vacuum "
        "off, since a moving plate scatters too.",
    ),
    Explained(
        "bounce", "Contact bounce",
        "Bounce is contact that is lost again just after the first touch; settling lasts from the first "
        "touch to the last re-closing.",
        "Where it begins at a speed that the engine reaches, the spring of the points is weak or the arm "
        "binds on its pivot, and the coil loses time to charge.",
    ),
    Explained(
        "advance", "Advance",
        "Advance is how much earlier the points open than with the weights at rest, in degrees of the "
        "shown shaft, at each speed.",
        "A curve outside its band means wrong, weak or broken springs, or weights that stick; without a "
        "slow stretch with the weights at rest, or a reading by hand, it cannot be told.",
    ),
    Explained(
        "hysteresis", "Advance hysteresis",
        "Hysteresis is the largest difference between the advance with speed falling and with speed "
        "rising, at one and the same speed.",
        "A wide gap between the two curves means that the weights or the cam stick on their pivots: "
        "clean and grease them before you judge the springs.",
    ),
    Explained(
        "drop", "Contact drop",
        "Contact drop is the voltage left across the closed points just before they open, with the "
        "current that flows then.",
        "A high drop means dirty or burnt points, or a bad joint in lead, plate or clamp: move the probe "
        "along them at the same current to find which.",
    ),
    Explained(
        "current", "Coil current",
        "While the points are closed the current through the coil climbs, fast at first and then ever "
        "more slowly, by the coil's resistance and inductance.",
        "What it reaches by the opening makes the spark: look at the current as well as the resistance, "
        "as a 6 V coil and a 12 V coil with ballast can both measure 1.5 ohm.",
    ),
    Explained(
        "condenser", "Condenser charge",
        "The condenser is charged through a known resistor, and how long that takes gives its "
        "capacitance; then it is held at full charge to see how fast it leaks.",
        "A wrong capacitance burns the points, and leakage robs the spark; a low test voltage proves "
        "little about leakage, so read the test voltage beside it.",
    ),
    Explained(
        "burn", "Spark burn line",
        "After the opening the voltage jumps, then stays nearly level while the spark burns, and rings "
        "out when the spark ends.",
        "Its length is the spark's duration: a short one means little energy or a gap that is too wide, "
        "and an opening with no burn line at all is a miss.",
    ),
    Explained(
        "uncertainty", "Uncertainty, and too close to call",
        "Every figure is known only to within its uncertainty, so each limit has a guard band as wide as "
        "that uncertainty: a figure passes or fails only when it is clear of the limit by that much.",
        "Between, it is too close to call, which is neither good nor bad: the result says what would "
        "settle it, such as a longer run, an encoder or a calibration.",
    ),
)  # fmt: skip
