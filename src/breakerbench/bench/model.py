"""The whole simulated bench: one frozen value that, with a seed, makes a trace."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from breakerbench.bench.arm import Arm
from breakerbench.bench.cam import Cam, cam_for
from breakerbench.bench.drive import Drive, steady
from breakerbench.bench.feed import Feed
from breakerbench.bench.front_end import Converter, FrontEnd
from breakerbench.bench.ignition import PROBES, Ignition
from breakerbench.bench.second import PARTS, Second
from breakerbench.bench.sensors import Encoder, Index
from breakerbench.bench.settling import Dirt
from breakerbench.bench.shaft import Shaft
from breakerbench.bench.vacuum import Steps, VacuumUnit
from breakerbench.bench.weights import SprungWeights, Weights
from breakerbench.trace import SAMPLED_UNITS

#: Channels that can be sampled, with their units.
UNITS: Mapping[str, str] = {
    name: SAMPLED_UNITS[name]
    for name in ("points_v", "current_a", "supply_v", "contact_v", "spark")
}
#: Full scales where none is asked for: of a dry feed, and of a coil.
_DRY_SCALES: Mapping[str, float] = {"points_v": 20.0, "current_a": 1.0}
_COIL_SCALES: Mapping[str, float] = {"points_v": 400.0, "current_a": 10.0}


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
    feed                 the circuit of the points; with a coil its drift and pick-up alone
    ignition             coil, condenser and sparks about the points; None: the dry feed
    channels             what is sampled, in this order; ``supply_v``, ``contact_v`` and ``spark`` need a
                         coil
    probe_at             part that the probe of the contact sits across: "points" (terminal to ground:
                         all of it), "contact", "plate" or "clamp". It is the probe of ``contact_v``, and
                         of ``points_v`` where there is no such channel
    points, current, supply, contact, pickup   front ends of ``points_v``, ``current_a``, ``supply_v``,
                         ``contact_v`` and ``spark``
    points_range_v       full scale of ``points_v``, either way; None: 20 V, with a coil 400 V
    current_range_a      full scale of ``current_a``, either way; 0: 1 A, with a coil 10 A; None: no
                         such channel
    supply_range_v, contact_range_v, spark_range_v   the same of the others; each is clamped there
    pickup_v             height of the pulse of ``spark`` at a breakdown of 10 kV, V
    pickup_sense         its sign where the coil is connected right
    pickup_tower         tower whose lead it is on, from 0 in the order of firing; None: the coil's lead
    temperature_c        of the winding as told with the trace; None: not told
    kind                 what the trace is made for: "run" or "coil"; by hand it is "hand"
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
    points_range_v: float | None = None
    current_range_a: float | None = 0.0
    converter: Converter = field(default_factory=Converter)
    index: Index | None = field(default_factory=Index)
    encoder: Encoder | None = field(default_factory=Encoder)
    on_rotor: bool = False
    notes: tuple[str, ...] = ()
    arm: Arm | None = None
    dirt: Dirt | None = None
    second: Second | None = None
    points_set: str = "first"
    ignition: Ignition | None = None
    channels: tuple[str, ...] = ("points_v", "current_a")
    probe_at: str = "points"
    supply: FrontEnd = field(default_factory=FrontEnd)
    contact: FrontEnd = field(default_factory=FrontEnd)
    pickup: FrontEnd = field(default_factory=FrontEnd)
    supply_range_v: float = 20.0
    contact_range_v: float = 2.5
    spark_range_v: float = 2.5
    pickup_v: float = 1.0
    pickup_sense: float = 1.0
    pickup_tower: int | None = None
    temperature_c: float | None = None
    kind: str = "run"

    def __post_init__(self) -> None:
        if self.points_set not in PARTS:
            raise ValueError(f"points_set is one of {', '.join(PARTS)}")
        if self.points_set != "first" and self.second is None:
            raise ValueError("there is one set of points only")
        if not self.channels or len(set(self.channels)) != len(self.channels):
            raise ValueError("channels are named once each, and there is one at least")
        for name in self.channels:
            if name not in UNITS:
                raise ValueError(f"there is no channel {name!r}; there are {', '.join(UNITS)}")
            if self.ignition is None and name not in _DRY_SCALES:
                raise ValueError(f"the channel {name} needs a coil")
        if self.probe_at not in PROBES:
            raise ValueError(f"probe_at is one of {', '.join(PROBES)}")
        if self.ignition is None and (self.probe_at != "points" or self.kind == "coil"):
            raise ValueError("a probe within the contact and the kind coil need a coil")
        if self.kind not in ("run", "coil"):
            raise ValueError("kind is run or coil")

    @property
    def sampled(self) -> tuple[str, ...]:
        """Names of the sampled channels, in their order."""
        return tuple(
            name
            for name in self.channels
            if name != "current_a" or self.current_range_a is not None
        )

    def front_end(self, name: str) -> FrontEnd:
        """Front end of a sampled channel."""
        return {
            "points_v": self.points,
            "current_a": self.current,
            "supply_v": self.supply,
            "contact_v": self.contact,
            "spark": self.pickup,
        }[name]

    def full_scale(self, name: str) -> float:
        """Of a sampled channel, either way, in its unit."""
        scales = _DRY_SCALES if self.ignition is None else _COIL_SCALES
        asked = {
            "points_v": self.points_range_v,
            "current_a": self.current_range_a,
            "supply_v": self.supply_range_v,
            "contact_v": self.contact_range_v,
            "spark": self.spark_range_v,
        }[name]
        return asked or scales[name]
