"""The breaker arm: whether its rubbing block follows the cam, and how its contact lands.

Heights are those of the contact above the fixed one, so that the lever of the arm is in the mass:
``y = lift / 2 * (cos(theta) - cos(half))`` on a lobe of ``bench/cam.py``, with the phase ``theta``
= pi * angle / half_width and ``half`` the phase at which the contact works. With the phase rate w

    speed = -lift / 2 * w * sin(theta)      acceleration = -lift / 2 * w**2 * cos(theta)

(simple harmonic cam law; Norton, Cam Design and Manufacturing Handbook, from memory). The spring
holds the arm down with ``preload + rate * y``, friction of the pivot acts against its motion. The
block follows as long as that is more than the mass times the fall of the cam that it must follow
(follower jump; the same). Free of the cam, the arm swings harmonically about the length at which
spring and friction balance. A blow turns speed round, less by the coefficient of restitution
(Newton's law of impact; Goldsmith, Impact, from memory); the cam is taken to be rigid and heavy.

Left out: rocking and bending of the arm, the blow at the opening (which throws the block off the
flank but does not delay the opening), wear and arcing.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Points at which a flight is looked at before its end is bracketed, halvings of that bracket, and
#: steps of Newton's method in it.
_GRID, _HALVINGS, _NEWTONS = 40, 9, 4
#: Blows of the block on one lobe that are followed.
_BLOWS = 24
#: Lobes are followed one after the other in stretches of so many, each begun so many lobes before.
_STRETCH, _WARM_UP = 64, 8
#: A block that leaves the cam slower than this rides on it, m/s.
_RIDES = 2e-3
#: Most flights of one train.
_FLIGHTS = 400


@dataclass(frozen=True, slots=True)
class Arm:
    """A breaker arm; masses and forces are those that act at the contact.

    mass_kg             inertia of the arm over the square of its length
    preload_n           force of the spring on the closed contact
    rate_n_per_m        how much more it pushes as the arm is lifted
    friction_n          friction of the pivot
    restitution         of the contact: speed after a landing over that before it, 0 to below 1
    restitution_spread  its standard deviation from closing to closing, as a share of it
    block_restitution   of the rubbing block on the cam
    blow_s              how long a blow holds the contact closed: half a period of the arm on the
                        stiffness of the contact (from memory: tens of microseconds)
    least_flight_s      a flight shorter than this does not part the contacts electrically
    """

    mass_kg: float = 0.005
    preload_n: float = 5.5
    rate_n_per_m: float = 1000.0
    friction_n: float = 0.0
    restitution: float = 0.1
    restitution_spread: float = 0.2
    block_restitution: float = 0.1
    blow_s: float = 20e-6
    least_flight_s: float = 5e-6

    def __post_init__(self) -> None:
        if min(self.mass_kg, self.preload_n, self.rate_n_per_m) <= 0.0:
            raise ValueError("mass, preload and rate of an arm are positive")
        if min(self.blow_s, self.least_flight_s) <= 0.0:
            raise ValueError("blow and least flight of an arm are positive")
        if self.friction_n < 0.0 or self.restitution_spread < 0.0:
            raise ValueError("friction and spread of an arm cannot be negative")
        if not (0.0 <= self.restitution < 1.0 and 0.0 <= self.block_restitution < 1.0):
            raise ValueError("coefficients of restitution lie from 0 to below 1")

    @property
    def stuck(self) -> bool:
        """The spring cannot overcome the friction: the contact never closes again."""
        return self.preload_n <= self.friction_n

    @property
    def swing_rad_per_s(self) -> float:
        """Natural frequency of the arm on its spring."""
        return float(np.sqrt(self.rate_n_per_m / self.mass_kg))


@dataclass(frozen=True, slots=True, eq=False)
class Passes:
    """Lobes passing the block, in order, n of them.

    lift_m      full lift of a lobe
    half        (n,) phase of a lobe at which the contact works, 0 to pi
    rate        (n,) phase rate, rad/s
    next_phase  (n,) phase from the middle of a lobe to the middle of the next one, infinite: none
    """

    lift_m: float
    half: Floats
    rate: Floats
    next_phase: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Landings:
    """How each pass ends, n of them.

    late_s     (n,) touch of the contact after the cam alone would have let it close
    speed_m_s  (n,) speed at which it lands
    missed     (n,) True where the next lobe catches the arm before the contact has closed
    """

    late_s: Floats
    speed_m_s: Floats
    missed: Bools


@dataclass(slots=True, eq=False)
class _Start:
    """Arms in flight: phase of their lobe, height and speed."""

    phase: Floats
    height: Floats
    speed: Floats

    def take(self, pick: Ints | Bools | slice) -> _Start:
        return _Start(*(getattr(self, f.name)[pick] for f in fields(self)))

    def put(self, pick: Ints | Bools, other: _Start) -> None:
        for f in fields(self):
            getattr(self, f.name)[pick] = getattr(other, f.name)


class _Flight:
    """Free flights: up to the top against spring and friction, down with the spring alone less it."""

    def __init__(self, arm: Arm, height: Floats, speed: Floats) -> None:
        self._swing = arm.swing_rad_per_s
        self._above = (arm.preload_n + arm.friction_n) / arm.rate_n_per_m
        self._below = (arm.preload_n - arm.friction_n) / arm.rate_n_per_m
        aside = speed / self._swing
        rises = speed > 0.0
        self._reach = np.hypot(height + self._above, aside)
        self._lean = np.arctan2(aside, height + self._above)
        self._top_s = np.where(rises, self._lean / self._swing, 0.0)
        fall = np.hypot(height + self._below, aside)
        self._drop = np.where(rises, self._reach - self._above + self._below, fall)
        self._ahead = np.where(rises, 0.0, np.arctan2(-aside, height + self._below))

    def at(self, time_s: Floats) -> tuple[Floats, Floats]:
        """Height and speed at (n,) or (grid, n) times after the start."""
        angle, reach, rest = self._swung(time_s)
        return reach * np.cos(angle) - rest, -self._swing * reach * np.sin(angle)

    def height(self, time_s: Floats) -> Floats:
        angle, reach, rest = self._swung(time_s)
        return np.asarray(reach * np.cos(angle) - rest, np.float64)

    def _swung(self, time_s: Floats) -> tuple[Floats, Floats, Floats]:
        up = self._swing * time_s - self._lean
        down = np.minimum(self._swing * (time_s - self._top_s) + self._ahead, np.pi)
        rises = time_s < self._top_s
        return (
            np.where(rises, up, down),
            np.where(rises, self._reach, self._drop),
            np.where(rises, self._above, self._below),
        )


def landings(arm: Arm, passes: Passes) -> Landings:
    """Follow every arm over its lobe and down to the contact.

    Where the block follows the cam all the way this is closed form; flights are closed form too, and
    their ends are found by bracketing. A flight that goes past its lobe is carried on to the next.
    """
    n = len(passes.half)
    late = np.zeros(n)
    speed = 0.5 * passes.lift_m * passes.rate * np.sin(passes.half)
    missed = np.zeros(n, bool)
    if arm.stuck:
        return Landings(late, speed, np.ones(n, bool))
    fresh_phase, leaves = _leaves(arm, passes)
    if not leaves.any():
        return Landings(late, speed, missed)
    fresh = _riding(passes, fresh_phase)
    next_half = np.append(passes.half[1:], passes.half[-1:])
    # One lobe after the other, in many stretches at once.
    heads = np.arange(0, n, _STRETCH)
    carried = np.zeros(len(heads), bool)
    on = fresh.take(heads)
    for step in range(-_WARM_UP, _STRETCH):
        lobe = heads + step
        there = np.flatnonzero((lobe >= 0) & (lobe < n))
        there = there[leaves[lobe[there]] | carried[there]]
        if not len(there):
            continue
        at = lobe[there]
        start = fresh.take(at)
        held = carried[there]
        start.put(held, on.take(there[held]))
        some = Passes(passes.lift_m, passes.half[at], passes.rate[at], passes.next_phase[at])
        result, then = _over(arm, some, next_half[at], start)
        on.put(there, then)
        carried[:] = False
        carried[there] = result.missed
        if step >= 0:
            late[at], speed[at], missed[at] = result.late_s, result.speed_m_s, result.missed
    return Landings(late, speed, missed)


def _leaves(arm: Arm, p: Passes) -> tuple[Floats, Bools]:
    """Phase at which the block leaves the cam, and whether it does.

    Spring and cam both go with cos(theta): on the way up friction helps the spring, past the middle
    it holds the arm back.
    """
    spring = 0.5 * arm.rate_n_per_m * p.lift_m
    rest = arm.preload_n - spring * np.cos(p.half)
    pull = 0.5 * arm.mass_kg * p.lift_m * p.rate**2 - spring
    rising = np.clip((rest + arm.friction_n) / np.where(pull > 0.0, pull, 1.0), -1.0, 1.0)
    early = pull > rest + arm.friction_n
    return np.where(early, -np.arccos(rising), 0.0), pull > rest - arm.friction_n


def _rides_from(arm: Arm, p: Passes) -> Floats:
    """Phase from which the block, once down, stays on the falling flank."""
    spring = 0.5 * arm.rate_n_per_m * p.lift_m
    rest = arm.preload_n - arm.friction_n - spring * np.cos(p.half)
    pull = 0.5 * arm.mass_kg * p.lift_m * p.rate**2 - spring
    return np.arccos(np.clip(rest / np.where(pull > 0.0, pull, np.inf), -1.0, 1.0))


def _cam_height(p: Passes, phase: Floats, half: Floats) -> Floats:
    on = np.cos(np.clip(phase, -np.pi, np.pi))
    return np.asarray(0.5 * p.lift_m * (on - np.cos(half)), np.float64)


def _cam_speed(p: Passes, phase: Floats) -> Floats:
    inside = np.abs(phase) < np.pi
    return np.asarray(-0.5 * p.lift_m * p.rate * np.where(inside, np.sin(phase), 0.0), np.float64)


def _riding(p: Passes, phase: Floats) -> _Start:
    return _Start(phase, _cam_height(p, phase, p.half), _cam_speed(p, phase))


def _over(arm: Arm, p: Passes, next_half: Floats, start: _Start) -> tuple[Landings, _Start]:
    """From in flight to the contact, the next lobe, or its middle; and how the next one begins."""
    n = len(p.half)
    late, missed = np.zeros(n), np.zeros(n, bool)
    landed = 0.5 * p.lift_m * p.rate * np.sin(p.half)
    on = _Start(np.zeros(n), np.zeros(n), np.zeros(n))
    leaves_at = _leaves(arm, p)[0]
    rides_from = _rides_from(arm, p)
    left = np.arange(n)
    for _ in range(_BLOWS):
        if not len(left):
            break
        q = Passes(p.lift_m, p.half[left], p.rate[left], p.next_phase[left])
        s = start.take(left)
        flight = _Flight(arm, s.height, s.speed)
        time_s, ends = _end_of(flight, q, next_half[left], s.phase)
        phase = s.phase + q.rate * time_s
        beyond = phase - q.next_phase
        height, speed = flight.at(time_s)
        own = _cam_height(q, phase, q.half)
        following = np.where(
            np.isfinite(beyond), _cam_height(q, np.nan_to_num(beyond), next_half[left]), -1.0
        )
        touches = ends & (own < 0.0) & (following < 0.0)
        catches = ends & ~touches & (following > own)
        # On the contact
        late[left[touches]] = ((phase - q.half) / q.rate)[touches]
        landed[left[touches]] = -speed[touches]
        # Caught by the next lobe, or still above it
        gone = catches | ~ends
        missed[left[gone]] = True
        cam = _cam_speed(q, np.nan_to_num(beyond))
        rebound = np.where(catches, cam + arm.block_restitution * (cam - speed), speed)
        caught = np.where(catches, following, height)
        on.put(left[gone], _Start(beyond, caught, rebound).take(gone))
        # Back on its own lobe
        back = ends & ~touches & ~catches
        cam = _cam_speed(q, phase)
        parting = arm.block_restitution * (cam - speed)
        rides = back & (parting < _RIDES)
        again = np.where(rides & (phase < leaves_at[left]), leaves_at[left], phase)
        closes = rides & (again >= rides_from[left])
        back &= ~closes
        risen = np.where(rides, _cam_speed(q, again), cam + parting)
        start.put(left[back], _Start(again, _cam_height(q, again, q.half), risen).take(back))
        left = left[back]
    return Landings(late, landed, missed), on


def _end_of(flight: _Flight, p: Passes, next_half: Floats, phase: Floats) -> tuple[Floats, Bools]:
    """When a flight first comes down on lobe, contact or next lobe; False: not before its middle."""
    last = np.where(np.isfinite(p.next_phase), p.next_phase, 4.0 * np.pi)
    span = (last - phase) / p.rate

    def ground(time_s: Floats) -> tuple[Floats, Floats]:
        """Height and speed of what lies below: the nearer lobe or the contact."""
        at = phase + p.rate * time_s
        own = at < 0.5 * last
        at = np.where(own, at, at - last)
        half = np.where(own, p.half, next_half)
        height = _cam_height(p, at, half)
        on = height > 0.0
        return np.where(on, height, 0.0), np.where(on, _cam_speed(p, at), 0.0)

    grid = np.arange(1, _GRID + 1)[:, None] / _GRID * span
    down = flight.height(grid) <= ground(grid)[0]
    ends: Bools = np.any(down, axis=0)
    first = np.argmax(down, axis=0)
    low, high = first / _GRID * span, (first + 1) / _GRID * span
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        over = flight.height(middle) > ground(middle)[0]
        low, high = np.where(over, middle, low), np.where(over, high, middle)
    found = high
    for _ in range(_NEWTONS):
        height, speed = flight.at(found)
        below, rises = ground(found)
        closing = np.minimum(speed - rises, -1e-9)
        found = np.clip(found - (height - below) / closing, low, high)
    return np.where(ends, found, span), ends


def flights(arm: Arm, speed_m_s: Floats, restitution: Floats) -> tuple[Ints, Floats, Floats]:
    """Trains of bounces of the contact after landings at a speed, with a restitution each.

    Returns for every flight: which landing it follows, when it parts and when it re-closes, both in
    seconds after the first touch; those of one landing in order. Each flight is up against spring
    and friction and down with the spring less the friction, in closed form; no speed ever grows.
    """
    which: list[Ints] = []
    parts: list[Floats] = []
    closes: list[Floats] = []
    left = np.flatnonzero(speed_m_s > 0.0) if not arm.stuck else np.empty(0, np.int64)
    speed, now = speed_m_s[left], np.zeros(len(left))
    up, down = arm.preload_n + arm.friction_n, arm.preload_n - arm.friction_n
    momentum = arm.swing_rad_per_s * arm.mass_kg
    for _ in range(_FLIGHTS):
        rises = restitution[left] * speed
        # Height of the top from the energy; the way down is a way up run backwards.
        root = np.sqrt(up**2 + (momentum * rises) ** 2)
        top = arm.mass_kg * rises**2 / (up + root)
        falls = np.sqrt(top * (2.0 * down + arm.rate_n_per_m * top) / arm.mass_kg)
        lasts = np.arctan2(momentum * rises, up) + np.arctan2(momentum * falls, down)
        lasts /= arm.swing_rad_per_s
        seen = lasts >= arm.least_flight_s
        if not seen.any():
            break
        left, speed, now, lasts = left[seen], falls[seen], now[seen], lasts[seen]
        which.append(left)
        parts.append(now + arm.blow_s)
        now = now + arm.blow_s + lasts
        closes.append(now)
    if not which:
        return np.empty(0, np.int64), np.empty(0), np.empty(0)
    every = np.concatenate(which)
    order = np.argsort(every, kind="stable")
    return every[order], np.concatenate(parts)[order], np.concatenate(closes)[order]
