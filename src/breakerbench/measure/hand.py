"""Static opening angles and dwell of a distributor turned by hand, by index and encoder.

The encoder has one track and tells no direction: a revolution in which the shaft was turned back
shows more pulses than it has and is left out. Speed is nothing that can be relied on by hand, so an
index alone gives no angles. Definitions and budget: DEVELOPERS.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.hand import MOVES, Turned
from breakerbench.measure.figures import expanded
from breakerbench.measure.uncertainty import Component, rectangular

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Fewest revolutions that angles are taken from.
LEAST = 3
#: Off the full count by less than this many pulses: nothing was turned back.
OFF_PULSES = 0.5
#: An event in a pulse that took this many times as long as the longer of its neighbours: the shaft
#: rested there, and where in it the event was is not known.
RESTED = 2.0
#: How far off an event may be placed between two pulses, the speed being the hand's; share of a pulse,
#: half-width. A speed that grows by a half from one pulse to the next makes 0.06.
UNEVEN_SHARE = 0.06
#: An opening this close before the index counts as after it, as in a run.
AT_INDEX_DEG = 0.1
ONLY_INDEX = (
    "an index without an encoder: by hand the speed is not even, so there are no angles between "
    "its pulses"
)
NO_REFERENCE = "no index and no encoder: openings are counted, their angles are not known"
NO_INDEX = (
    "no index: the encoder has one track and cannot tell by itself where the shaft turned back"
)


def empty_hand() -> dict[str, Any]:
    return {
        "openings": None, "state": None, "revolutions": None, "left_out": None, "rpm": None,
        "per_lobe_deg": [], "u_per_lobe_deg": [], "u_zero_deg": None,
        "dwell_per_lobe_deg": [], "u_dwell_per_lobe_deg": [],
    }  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Pulses of the encoder at any instant, and the revolutions that were turned straight on."""

    pulses: int
    time_s: Floats
    begin_s: Floats
    end_s: Floats

    def at(self, time_s: Floats) -> Floats:
        return np.asarray(np.interp(time_s, self.time_s, np.arange(len(self.time_s), dtype=float)))

    def moving(self, time_s: Floats) -> Bools:
        """Where the shaft did not rest within the pulse that the instant is in."""
        k = np.clip(np.searchsorted(self.time_s, time_s) - 1, 1, len(self.time_s) - 3)
        gap = np.diff(self.time_s)
        return np.asarray(gap[k] <= RESTED * np.maximum(gap[k - 1], gap[k + 1]))

    def revolution(self, time_s: Floats) -> Ints:
        """Number of the revolution that an instant lies in; -1 in none of these."""
        if not len(self.begin_s):
            return np.full(len(time_s), -1, np.int64)
        k = np.searchsorted(self.begin_s, time_s, side="right") - 1
        inside = (k >= 0) & (time_s < self.end_s[np.maximum(k, 0)])
        return np.where(inside, k, -1)


def straight_on(turned: Turned, pulses: int) -> tuple[Places, int, bool]:
    """The revolutions with the full count of pulses, how many have not, and if the index is inverted."""
    assert turned.index is not None
    assert turned.encoder is not None
    encoder = turned.encoder[0][turned.encoder[1]]
    every = Places(pulses, encoder, np.empty(0), np.empty(0))
    at, rising = turned.index
    number = every.at(at)
    # A pulse that lasts for more than half a turn is the pause between two.
    wide = np.diff(number)[rising[:-1] & ~rising[1:]]
    inverted = bool(len(wide)) and float(np.median(wide)) > 0.5 * pulses
    at = at[rising != inverted]
    at = at[(at >= encoder[0]) & (at <= encoder[-1])]
    number = every.at(at)
    good = np.abs(np.diff(number) - pulses) < OFF_PULSES
    good &= every.moving(at[:-1]) & every.moving(at[1:]) if len(at) > 1 else False
    for begin, end in turned.holes:
        good &= (at[1:] < begin) | (at[:-1] > end)
    return (
        Places(pulses, encoder, at[:-1][good], at[1:][good]),
        int((~good).sum()),
        inverted,
    )


def _lobes(angle: Floats, revolutions: int) -> list[Ints]:
    """The openings of each lobe, from lobe 1 on, told by their angles."""
    order = np.argsort(angle % 360.0, kind="stable")
    place = (angle % 360.0)[order]
    gap = np.diff(np.append(place, place[0] + 360.0))
    # As many lobes as there are openings a revolution; their gaps are the widest ones.
    count = max(1, round(len(angle) / revolutions))
    borders = np.sort(np.argsort(gap, kind="stable")[-count:])
    begin = int(borders[-1]) + 1
    turned, ends = np.roll(order, -begin), (borders - begin) % len(order)
    groups = np.split(turned, np.sort(ends)[:-1] + 1)

    def first(group: Ints) -> float:
        centre = float(np.rad2deg(np.angle(np.exp(1j * np.deg2rad(angle[group])).mean()))) % 360.0
        return centre - 360.0 if centre > 360.0 - AT_INDEX_DEG else centre

    return sorted(groups, key=first)


def hand_angles(
    turned: Turned, pulses: int | None, u_position_deg: float = 0.0
) -> tuple[dict[str, Any], dict[str, str], list[str]]:
    """The table of the contract, reasons by key, and notes."""
    figures, why = empty_hand(), {}
    figures["state"] = turned.state
    if turned.state is None:
        return figures, {"hand": turned.why}, []
    figures["openings"] = len(turned.open_s)
    if turned.state != MOVES:
        why["hand.per_lobe_deg"] = f"the points are {turned.state}"
        return figures, _spread(why), []
    if turned.index is None or turned.encoder is None or not pulses:
        reason = NO_REFERENCE if turned.index is None and turned.encoder is None else ONLY_INDEX
        if turned.index is None and turned.encoder is not None:
            reason = NO_INDEX
        return figures, _spread({"hand.per_lobe_deg": reason}), []
    if len(turned.encoder[0]) < 8 or len(turned.index[0]) < 2:
        reason = "the index or the encoder shows no pulses"
        return figures, _spread({"hand.per_lobe_deg": reason}), []
    places, left_out, inverted = straight_on(turned, pulses)
    n = len(places.begin_s)
    figures["revolutions"], figures["left_out"] = n, left_out
    notes = ["The index line idles high: it was read upside down."] if inverted else []
    if left_out:
        notes.append(
            f"Revolutions left out: {left_out}. They do not have the encoder's {pulses} pulses: the "
            "shaft was turned back in them, or rested at the index."
        )
    if n < LEAST:
        reason = f"revolutions turned straight on: {n}, needed: {LEAST}. Turn on, one way"
        return figures, _spread({"hand.per_lobe_deg": reason}), notes
    figures["rpm"] = float(np.median(60.0 / (places.end_s - places.begin_s)))
    reason = _angles(figures, turned, places, u_position_deg)
    if reason:
        return figures, _spread({"hand.per_lobe_deg": reason}), notes
    if None in figures["dwell_per_lobe_deg"]:
        why["hand.dwell_per_lobe_deg"] = "too few whole dwells in revolutions turned straight on"
    return figures, why, notes


def _spread(why: dict[str, str]) -> dict[str, str]:
    """The reason for the angles is that for the dwell too."""
    return why | {"hand.dwell_per_lobe_deg": why["hand.per_lobe_deg"]}


def _fixed(places: Places, turned: Turned, rpm: float, u_position_deg: float) -> list[Component]:
    return [
        Component("uneven speed within a pulse", rectangular(UNEVEN_SHARE * 360.0 / places.pulses)),
        Component("placement", rectangular(0.5 * turned.step_s * 6.0 * rpm)),
        Component("encoder disc", u_position_deg),
    ]


def _angles(figures: dict[str, Any], turned: Turned, places: Places, u_position_deg: float) -> str:
    """Angles and dwell into ``figures``; why not, where there are none."""
    turn = places.revolution(turned.open_s)
    good = (turn >= 0) & places.moving(turned.open_s)
    opened, turn = turned.open_s[good], turn[good]
    revolutions = len(places.begin_s)
    if len(opened) < LEAST:
        return "too few openings in revolutions turned straight on"
    scale = 360.0 / places.pulses
    angle = (places.at(opened) - places.at(places.begin_s[turn])) * scale
    groups = _lobes(angle, revolutions)
    if min(map(len, groups)) < LEAST:
        return "the openings do not come at the same places from turn to turn"
    rpm = figures["rpm"]
    fixed = _fixed(places, turned, rpm, u_position_deg)
    means, random = [], []
    for group in groups:
        here = angle[group]
        centre = np.angle(np.exp(1j * np.deg2rad(here)).mean())
        away = (here - np.rad2deg(centre) + 180.0) % 360.0 - 180.0
        means.append(float((np.rad2deg(centre) + away.mean()) % 360.0))
        u = float(away.std(ddof=1) / np.sqrt(len(away)))
        random.append(Component("repeatability", u, len(away) - 1.0))
    figures["per_lobe_deg"] = means
    figures["u_per_lobe_deg"] = [expanded([each, *fixed]) for each in random]
    each = 1.0 / len(groups)
    together = [Component(c.name, c.u * each, c.dof) for c in random]
    figures["u_zero_deg"] = expanded([*together, *fixed])
    # The touch before each opening, where the shaft was turned straight on from it to the opening.
    before = np.searchsorted(turned.touch_s, opened) - 1
    touch = turned.touch_s[np.maximum(before, 0)] if len(turned.touch_s) else opened
    held = (before >= 0) & places.moving(touch)
    from_turn = places.revolution(touch)
    held &= (from_turn == turn) | ((from_turn >= 0) & (from_turn == turn - 1))
    held &= (from_turn == turn) | (places.end_s[np.maximum(from_turn, 0)] == places.begin_s[turn])
    dwell = (places.at(opened) - places.at(touch)) * scale
    both = [Component(c.name, c.u * float(np.sqrt(2.0))) for c in fixed]
    values: list[float | None] = []
    u_values: list[float | None] = []
    for group in groups:
        mine = dwell[group[held[group]]]
        if len(mine) < LEAST:
            values.append(None)
            u_values.append(None)
            continue
        u = float(mine.std(ddof=1) / np.sqrt(len(mine)))
        values.append(float(mine.mean()))
        u_values.append(expanded([Component("repeatability", u, len(mine) - 1.0), *both]))
    figures["dwell_per_lobe_deg"], figures["u_dwell_per_lobe_deg"] = values, u_values
    return ""
