"""The whole simulated bench: one frozen value that, with a seed, makes a trace."""

from __future__ import annotations

from dataclasses import dataclass, field

from breakerbench.bench.arm import Arm
from breakerbench.bench.cam import Cam, cam_for
from breakerbench.bench.drive import Drive, steady
from breakerbench.bench.feed import Feed
from breakerbench.bench.front_end import Converter, FrontEnd
from breakerbench.bench.second import PARTS, Second
from breakerbench.bench.sensors import Encoder, Index
from breakerbench.bench.settling import Dirt
from breakerbench.bench.shaft import Shaft
from breakerbench.bench.vacuum import Steps, VacuumUnit
from breakerbench.bench.weights import SprungWeights, Weights


def _default_cam() -> Cam:
    return cam_for(4, 52.0, 0.635)


@dataclass(frozen=True, slots=True)
class Bench:
    """A distributor on the bench.

    cam, shaft, weights  the distributor
    vacuum               its vacuum unit; None: it has none
    vacuum_steps         (s, kPa) pairs of the vacuum that a hand applies to it
    chatter_s            how long the contact may chatter where it opens slowly, by hand
    arm                  its breaker arm; None: one that always follows the cam and never bounces
    dirt                 between its contacts; None: there is none
    drive                what turns it, and how long
    feed                 the circuit of the points
    points, current      front ends of the channels ``points_v`` and ``current_a``
    points_range_v       full scale of ``points_v``, either way
    current_range_a      full scale of ``current_a``, either way; None: no such channel
    converter            of all channels
    index, encoder       None where the bench has none
    on_rotor             index and encoder ride on the rotor, above the weights: wrongly
    second               a second set of points; None: there is one set
    points_set           which of two is connected: "first", "second" or "both"
    notes                names of what was put into it (faults, conditions), for people
    """

    cam: Cam = field(default_factory=_default_cam)
    shaft: Shaft = field(default_factory=Shaft)
    weights: Weights | SprungWeights = field(default_factory=Weights)
    vacuum: VacuumUnit | None = None
    vacuum_steps: Steps = ()
    chatter_s: float = 0.0
    drive: Drive = field(default_factory=lambda: steady(600.0, 4.0))
    feed: Feed = field(default_factory=Feed)
    points: FrontEnd = field(default_factory=FrontEnd)
    current: FrontEnd = field(default_factory=FrontEnd)
    points_range_v: float = 20.0
    current_range_a: float | None = 1.0
    converter: Converter = field(default_factory=Converter)
    index: Index | None = field(default_factory=Index)
    encoder: Encoder | None = field(default_factory=Encoder)
    on_rotor: bool = False
    notes: tuple[str, ...] = ()
    arm: Arm | None = None
    dirt: Dirt | None = None
    second: Second | None = None
    points_set: str = "first"

    def __post_init__(self) -> None:
        if self.points_set not in PARTS:
            raise ValueError(f"points_set is one of {', '.join(PARTS)}")
        if self.points_set != "first" and self.second is None:
            raise ValueError("there is one set of points only")
