"""First touches of a dry feed, some of which are lost again at once; what may hide between samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.crossings import PRE, Crossings
from breakerbench.edges.dips import BESIDE, begins_with_dip, place_dips
from breakerbench.edges.faint import is_faint
from breakerbench.edges.levels import dip_begin
from breakerbench.edges.place import COARSE_TAU, closing_levels, place_closings, with_closed
from breakerbench.edges.shapes import Placed, Response

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: A first touch that leaves no clear sign began so much earlier at most, samples.
UNSEEN_SAMPLES = 1.5
#: First touches leave no sign where one sample falls into those that are seen, nearly never a second:
#: said where that is so for all but this share, and where this share of the closings bounces.
FEW_TWICE, ENOUGH = 0.03, 0.05


@dataclass(slots=True)
class Brief:
    """What the edges of a dry feed tell of touches too brief to be seen, as counts over the run.

    touches    first touches
    vague      of these, those that may have begun up to a sample before
    on_touch, on_opening   edges that a sample fell on: as many of one as of the other, or else touches
                           were lost again between two samples
    slow       touches whose fall was slower than the front end's
    once, more  first touches lost again that one sample fell into, or more
    faint      contacts that bounce where single samples hardly stand out of the noise (a coil's points)
    """

    touches: int = 0
    vague: int = 0
    on_touch: int = 0
    on_opening: int = 0
    slow: int = 0
    once: int = 0
    more: int = 0
    faint: int = 0

    def add(
        self,
        touch: Crossings,
        opening: Crossings,
        start: Floats,
        vague: int,
        slow: int,
        lost: Bools,
    ) -> None:
        self.touches += len(touch)
        self.vague += vague
        self.slow += slow
        share = touch.columns(PRE - BESIDE, PRE + BESIDE) / start[:, None]
        self.on_touch += int(_on_edge(share))
        self.on_opening += int(
            _on_edge(opening.columns(PRE - BESIDE, PRE + BESIDE) / start[:, None])
        )
        some = touch.take(lost)
        low = (
            some.columns(PRE - BESIDE, PRE + 2)
            < (some.swing - dip_begin(some.swing, some.noise))[:, None]
        )
        # From the first low sample on: is the next one low, too?
        first = low.argmax(axis=1)
        twice = low[np.arange(len(low)), np.minimum(first + 1, low.shape[1] - 1)]
        self.more += int(twice.sum())
        self.once += int((~twice).sum())

    @property
    def unseen(self) -> float:
        """Share of the first touches that may have begun up to a sample or so before."""
        if not self.touches:
            return 0.0
        spread = 2.0 * float(np.sqrt(self.on_touch + self.on_opening))
        more = max(self.on_touch - self.on_opening - self.slow - spread, 0.0)
        return (self.vague + more) / self.touches

    @property
    def u_samples(self) -> float:
        """Standard uncertainty that these leave in the mean of the first touches, samples."""
        return UNSEEN_SAMPLES / float(np.sqrt(3.0)) * self.unseen

    @property
    def lost(self) -> bool:
        """True where first touches are so brief that many will have left no sign at all."""
        seen = self.once + self.more
        if self.faint > ENOUGH * self.touches:
            return True
        return seen > ENOUGH * self.touches and self.more < FEW_TWICE * seen


def _on_edge(share: Floats) -> int:
    return int(((share > 0.04) & (share < 0.96)).any(axis=1).sum())


def place_first(
    touch: Crossings,
    opening: Crossings,
    lost: Bools,
    r: Response,
    brief: Brief,
) -> Placed:
    """First touches with the openings that end their dwells; ``lost`` where bounce was seen."""
    placed = place_closings(touch, r)
    if r.coil and is_faint(touch):
        # Many of the brief ones among them are not seen at all.
        brief.touches += len(touch)
        brief.faint += int(lost.sum())
    if r.coil or (r.tau >= COARSE_TAU and not lost.any()):
        return placed
    touch, opening = with_closed(touch, r.closed), with_closed(opening, r.closed)
    start = np.maximum(closing_levels(touch, r.tau)[0], 1e-9)
    dips = np.flatnonzero(begins_with_dip(touch, r.tau))
    vague = np.empty(0, bool)
    if len(dips):
        some, vague = place_dips(touch.take(dips), start[dips], r.tau)
        placed.at[dips], placed.u[dips] = some
    if r.rise == 0.0:
        brief.add(touch, opening, start, int(vague.sum()), len(dips), lost)
    return placed
