"""Learning the edges of points that switch a coil, and placing its openings.

After an opening the coil's current charges the condenser: a straight rise through the front end, met
by the closed level. Touches: see ``touch``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from breakerbench.edges.crossings import PRE, Crossings, quiet_level
from breakerbench.edges.levels import band_low
from breakerbench.edges.shapes import LN2, Placed, Response
from breakerbench.edges.steady import COARSE
from breakerbench.edges.touch import learn_front, learn_ring, seen_rail

Floats = NDArray[np.float64]
#: Standard uncertainty of the beginning of ramps with so many samples on them, samples.
U_TWO_SAMPLES, U_ONE_SAMPLE, U_NO_SAMPLE = 0.04, 0.08, 0.15


def learn_coil(
    touch: Crossings, leave: Crossings, top: float, told: float = 0.0, back: Crossings | None = None
) -> Response:
    """Shapes of a coil's edges from some tens of touches and openings.

    told  time constant of the front end as stated, samples; 0 where it is not
    top   highest count above closed that the converter can show; inf where it does not say
    back  closings that lasted, if some bounced: of first touches lost again at once hardly a sample lies
          on the fall, and the rise after them passes for a slower one
    """
    top = min(top, seen_rail(leave, 1.0))
    bottom = -seen_rail(touch, -1.0)
    tau, closed, cut, ring = learn_front(touch if back is None else back, top, bottom, told)
    if back is not None:
        ring = learn_ring(touch, top, bottom)
    ramp = learn_ramp(leave, tau, top)
    return Response(
        tau, coil=True, ramp=ramp, ring=ring, u_rise=_u_ramp(leave, tau, top),
        closed=closed, cut_closed=cut, top=top, bottom=bottom,
    )  # fmt: skip


def _u_ramp(c: Crossings, tau: float, top: float) -> float:
    """Standard uncertainty, in samples, of where openings begin that all of them share.

    A slope is known by two samples on it, less well by one and hardly where the converter cuts off
    both or the front end was too fast to be seen (errors seen on simulated coils, some hundred
    traces of each kind).
    """
    if not len(c) or tau < COARSE:
        return U_NO_SAMPLE
    two, one = ((c.window[:, PRE + k] < 0.98 * top).mean() for k in (1, 0))
    return U_TWO_SAMPLES if two > 0.25 else U_ONE_SAMPLE if one > 0.15 else U_NO_SAMPLE


# --- ramp of a coil -------------------------------------------------------------------------------


def ramp_shape(t: Floats, tau: float) -> Floats:
    """Unit ramp through the front end: t - tau (1 - exp(-t / tau)); zero before t = 0."""
    late = np.maximum(t, 0.0)
    return late if tau <= 0.0 else late - tau * (1.0 - np.exp(-late / tau))


def place_ramps(c: Crossings, r: Response) -> Placed:
    """Place openings of a coil: the ratio of the first two samples on the ramp tells its beginning.

    Where the second one is cut off by the converter, the first and the typical slope do; where the
    first is cut off too, the middle between the samples does.
    """
    w = c.window
    start = quiet_level(c, PRE - 12, PRE - 3)
    first, second = w[:, PRE] - start, w[:, PRE + 1] - start
    lead = np.linspace(1e-3, 2.0, 2000)
    shape = ramp_shape(lead, r.tau)
    ratios = ramp_shape(lead + 1.0, r.tau) / shape
    # A ramp that is over within a sample tells nothing: the opening lies between two of them.
    over = not np.isfinite(r.ramp)
    whole = (second + start < 0.98 * r.top) & (not over)
    ratio = np.where(first > 0, second / np.maximum(first, 1e-9), 1.0)
    by_ratio = np.interp(-ratio, -ratios, lead)
    slope = np.maximum(r.ramp, 1e-9)
    by_slope = np.interp(first / slope, shape, lead)
    cut = (first + start >= 0.98 * r.top) | over
    # Cut off at once: later than it takes to reach the top, sooner than one sample after the band.
    low = band_low(c.swing, c.noise)
    least = np.interp(0.0 if over else r.top / slope, shape, lead)
    most = 1.0 + np.interp(low / slope, shape, lead)
    by_limits = 0.5 * (np.minimum(least, most) + most)
    t = np.where(whole, by_ratio, np.where(cut, by_limits, by_slope))
    # The contact was still closed one sample earlier, but for what stays under the band.
    t = np.clip(t, 0.0, np.where(whole, np.minimum(most + 0.2, 2.0), most))
    # What differs from one opening to the next; what all share is in the response's ``u_rise``.
    sigma = c.noise / np.maximum(first, 1e-9)
    u_slope = np.hypot(0.05 * t, sigma * t)
    u_cut = (most - np.minimum(least, most)) / np.sqrt(12.0)
    u = np.where(whole, 1.5 * sigma * t, np.where(cut, u_cut, u_slope))
    u = np.clip(u, 0.01 if r.tau >= COARSE else U_ONE_SAMPLE, 1.0)
    at = np.asarray(c.at - t + r.tau * LN2, np.float64)
    return Placed(at, u)


def learn_ramp(c: Crossings, tau: float, top: float) -> float:
    """Typical slope of the openings' ramp, counts a sample, from those with two good samples.

    inf where the ring turns within the first samples already: the sampling is too slow for a ramp.
    Where the converter cuts off nearly all second samples, the spread of the first ones tells: an
    opening falls anywhere between two samples, so the first sample past the band ``low`` comes
    anywhere from u to u + 1 after it, u being the time to reach ``low``.
    """
    first, second = c.window[:, PRE], c.window[:, PRE + 1]
    low = float(np.median(band_low(c.swing, c.noise)))
    lead = np.linspace(1e-3, 4.0, 4000)
    shape_of = ramp_shape(lead, tau)
    good = second < 0.98 * top
    if float(good.mean()) > 0.25 and int(good.sum()) >= 4:
        shape = Response(tau, coil=True, top=top)
        t = c.at[good] + tau * LN2 - place_ramps(c.take(good), shape).at
        reach = ramp_shape(t + 1.0, tau)
        slope = float(np.median(second[good] / np.maximum(reach, 1e-6)))
        if slope <= 0.0:
            return np.inf
        # Openings come anywhere between two samples; from further back only where this is no ramp.
        late = float((t > 1.3 + np.interp(low / slope, shape_of, lead)).mean())
        return slope if late < 0.2 else np.inf
    kept = float((first < 0.98 * top).mean())
    share = min(0.5, 0.6 * kept)
    if not (0.0 < low < np.inf and top < np.inf):  # too little swings: there is no ramp to be told
        return np.inf
    slopes = np.geomspace(0.1 * low, 300.0 * top, 400)
    begin = np.interp(low / slopes, shape_of, lead)
    if share < 0.15:
        # How seldom a sample falls between the band and the rail tells how fast that is passed.
        fast = slopes > top
        passed = (np.interp(top / slopes, shape_of, lead) - begin)[fast]
        seldom = max(kept, 0.5 / len(c))
        return float(np.exp(np.interp(-seldom, -passed, np.log(slopes[fast]))))
    target = float(np.quantile(first, share))
    reached = slopes * np.interp(begin + share, lead, shape_of)
    return float(np.interp(target, reached, slopes))
