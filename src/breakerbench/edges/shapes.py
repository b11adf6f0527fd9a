"""What is learned of the shape of a trace's edges, and what a placement is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.levels import Levels

Floats = NDArray[np.float64]
LN2 = float(np.log(2.0))


class Placed(NamedTuple):
    """at: edge in samples, absolute; u: standard uncertainty of one placement, samples."""

    at: Floats
    u: Floats


@dataclass(frozen=True, slots=True)
class Response:
    """What was learned of the edges of a trace, in samples.

    tau       time constant of the front end; 0 where edges fall between two samples
    rise      time constant of the condenser on a dry feed; 0 where openings are steps
    u_rise    its standard uncertainty; with a coil, of where its ramp begins
    u_closed  standard uncertainty of the closed level just before an opening of a dry feed, counts
    open_level  level that an opening of a dry feed rises to, in counts above closed
    coil      openings are the ramp of a coil
    ramp      typical slope of that ramp, counts a sample (for openings whose second sample is cut off)
    ring      angular frequency of a coil's ring before touches, radians a sample; 0 where none is seen
    cut_closed  the converter cuts off the closed level; ``closed`` is then where the falls lead to
    top       highest count above closed that the converter can show, inf where unknown
    bottom    lowest one, -inf where unknown
    """

    tau: float
    rise: float = 0.0
    u_rise: float = 0.0
    u_closed: float = 0.0
    open_level: float = 0.0
    coil: bool = False
    ramp: float = 0.0
    ring: float = 0.0
    closed: float = 0.0
    cut_closed: bool = False
    top: float = np.inf
    bottom: float = -np.inf


class Front(NamedTuple):
    """What is known of the front end before anything is placed, where a coil rings; see ``Response``."""

    tau: float
    closed: float
    ring: float
    top: float


@dataclass(frozen=True, slots=True)
class Learned:
    """What a run has learned of its points channel; None where it has not yet."""

    levels: Levels | None = None
    response: Response | None = None
    front: Front | None = None
