"""What the edges package hands on: contacts with angles, and what is known of the instrument."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Openings:
    """Contacts with their angles, in order, n of them.

    time_s      (n,) instant of the opening, s
    touch_s     (n,) instant of the first touch before it, s
    open_deg    (n,) angle of the opening, continuous distributor degrees
    touch_deg   (n,) angle of the first touch
    u_open_s, u_touch_s   (n,) standard uncertainty of one placement, s
    settled_s   (n,) instant of the last re-closing of its bounce, that of the touch where none, s
    lost_s      (n,) time within the dwell that the contact bounced open, s
    valid       (n,) both angles known and the first touch seen
    """

    time_s: Floats
    touch_s: Floats
    open_deg: Floats
    touch_deg: Floats
    u_open_s: Floats
    u_touch_s: Floats
    settled_s: Floats
    lost_s: Floats
    valid: Bools

    def __len__(self) -> int:
        return len(self.time_s)

    def take(self, pick: Bools | Ints | slice) -> Openings:
        return Openings(*(getattr(self, f.name)[pick] for f in fields(self)))


def join_openings(parts: list[Openings]) -> Openings:
    if len(parts) == 1:
        return parts[0]
    return Openings(
        *(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Openings))
    )


@dataclass(frozen=True, slots=True)
class Instrument:
    """What is known of the instrument, for the type B part. Standard uncertainties.

    u_delay_s     difference of the delay of openings and closings, s
    u_shape_s     what the shape of the edges leaves open (a condenser's rise, a coil's ramp), s
    u_index_s     one index time, s (0: not sampled)
    u_encoder_deg place of an encoder edge on its disc, deg
    encoder_share noise of an angle from the encoder, variance in units of one pulse's
    u_pulse_s     one encoder time, s
    sample_s      one sample, s
    lock          how far the drive keeps step with the sample clock, 0 (not at all) to 1
    index_only    True where the angle within a revolution is interpolated
    """

    u_delay_s: float = 0.0
    u_shape_s: float = 0.0
    u_index_s: float = 0.0
    u_encoder_deg: float = 0.0
    encoder_share: float = 0.5
    u_pulse_s: float = 0.0
    sample_s: float = 0.0
    lock: float = 0.0
    index_only: bool = False
