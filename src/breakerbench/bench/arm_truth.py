"""Truth of bounce, by the definitions of the project, from the edges that happened.

Under ``realized`` stands what the closings of this run did. What infinitely many closings would do
is told by as many landings as ``_DRAWS`` in each bin of speed, at the speeds of this run, with a
restitution drawn anew.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from breakerbench.bench.arm import Arm, flights
from breakerbench.bench.contact import Turning
from breakerbench.bench.randomness import stream
from breakerbench.bench.settling import spread_restitution

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BIN_RPM = 50.0
#: Settling later than this counts as late; onset needs bins of so many closings, this share late.
SETTLE_DEG, ONSET_CLOSINGS, LATE_SHARE = 0.5, 20, 0.05
_DRAWS = 4000


def bounce_truth(
    turning: Turning, arm: Arm | None, first_s: float, last_s: float, seed: int
) -> tuple[dict[str, Any], dict[str, Any]]:
    """The tables ``bounce`` of the distributor and of the run from its first to its last angle 0."""
    which, rpm, most_s = _dwells(turning, first_s, last_s)
    landing = turning.landing_m_s.ravel()[which]
    settle = np.zeros(turning.close_s.size)
    t = turning.trains
    touch = turning.close_s.ravel()
    usual = np.full(settle.size, np.inf)
    usual[which] = 0.5 * most_s
    early = t.lost_s - touch[t.closing] < usual[t.closing]
    closing = t.closing[early]
    np.maximum.at(settle, closing, t.back_s[early] - touch[closing])
    place = np.floor(rpm / BIN_RPM + 0.5).astype(np.int64)
    realized = _table(rpm, settle[which], place, ONSET_CLOSINGS)
    if arm is None:
        return realized, realized
    chance = stream(seed, "arm truth")
    every: list[Floats] = []
    speeds: list[Floats] = []
    for k in np.unique(place):
        rows = np.resize(np.flatnonzero(place == k), _DRAWS)
        restitution = spread_restitution(arm, chance.standard_normal(_DRAWS))
        found, lost, back = flights(arm, landing[rows], restitution)
        lasting = lost < 0.5 * most_s[rows[found]]
        found, back = found[lasting], back[lasting]
        settled = np.zeros(_DRAWS)
        np.maximum.at(settled, found, back)
        every.append(settled)
        speeds.append(rpm[rows])
    if not every:
        return realized, realized
    drawn = np.concatenate(speeds)
    places = np.floor(drawn / BIN_RPM + 0.5).astype(np.int64)
    return _table(drawn, np.concatenate(every), places, ONSET_CLOSINGS), realized


def held_closed(turning: Turning) -> NDArray[np.bool_]:
    """Openings before which the contact was closed right through a lobe: that is more than a dwell."""
    held = np.isnan(turning.close_s.ravel())
    before: NDArray[np.bool_] = np.concatenate(([True], held[:-1])).reshape(turning.open_s.shape)
    return before


def _dwells(turning: Turning, first_s: float, last_s: float) -> tuple[Ints, Floats, Floats]:
    """Closings whose dwell ends within the run: their number, speed, and usual length of a dwell."""
    opens, closes = turning.open_s.ravel(), turning.close_s.ravel()
    begins = np.flatnonzero(~np.isnan(opens))
    which = np.flatnonzero(~np.isnan(closes))
    after = np.searchsorted(begins, which, side="right")
    which, after = which[after < len(begins)], after[after < len(begins)]
    ends = begins[after]
    inside = (closes[which] >= 0.0) & (opens[ends] >= first_s) & (opens[ends] <= last_s)
    which, ends = which[inside], ends[inside]
    turned = turning.open_deg.ravel()[ends] - turning.close_deg.ravel()[which]
    rpm = turned / (opens[ends] - closes[which]) / 6.0
    usual_deg = float(np.median(turned)) if turned.size else 0.0
    return which, rpm, usual_deg / (6.0 * rpm)


def _table(rpm: Floats, settle_s: Floats, place: Ints, least: int) -> dict[str, Any]:
    rows = []
    late: list[tuple[int, bool]] = []
    for k in np.unique(place).tolist():
        inside = place == k
        some, speed = settle_s[inside], rpm[inside]
        bounced = some > 0.0
        there = bool(bounced.any())
        deg = 6.0 * speed * some
        rows.append(
            {
                "rpm": float(np.mean(speed)),
                "settle_deg": float(np.median(deg[bounced])) if there else None,
                "settle_s": float(np.median(some[bounced])) if there else None,
                "share": float(np.mean(bounced)),
                "closings": int(some.size),
            }
        )
        if some.size >= least:
            late.append((k, float(np.mean(deg > SETTLE_DEG)) >= LATE_SHARE))
    onset = None
    for at, (k, is_late) in enumerate(late):
        if is_late and (at + 1 == len(late) or late[at + 1][1]):
            onset = max(k - 0.5, 0.0) * BIN_RPM
            break
    return {"onset_rpm": onset, "by_speed": rows}
