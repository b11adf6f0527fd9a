"""Touches of a dry feed that are over before a sample falls into them: closed-form waves."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from breakerbench.edges.brief import Brief, place_first
from breakerbench.edges.contact import ContactFinder, Contacts, join_contacts
from breakerbench.edges.crossings import CrossingFinder
from breakerbench.edges.levels import Levels
from breakerbench.edges.shapes import LN2, Response

from .waves import Wave

OPEN, NOISE = 1000.0, 3.0


def _bouncing(
    tau: float, lasts: float, flight: float, seed: int, count: int = 80
) -> tuple[NDArray[np.int16], NDArray[np.float64]]:
    """Samples of contacts, each after one touch of ``lasts`` samples, and when these began."""
    rng = np.random.default_rng(seed)
    wave = Wave(tau).level(0.0, OPEN)
    began = 300.0 * (1.0 + np.arange(count)) + rng.uniform(0.0, 1.0, count)
    for t in began:
        wave.level(t, 0.0).level(t + lasts, OPEN).level(t + lasts + flight, 0.0)
        wave.level(t + 150.0, OPEN)
    x = wave.at(np.arange(300.0 * (count + 2)))
    return np.rint(x + rng.normal(0.0, NOISE, len(x))).astype(np.int16), began


def _contacts(x: NDArray[np.int16]) -> Contacts:
    levels = Levels(closed=0.0, swing=OPEN, sign=1, noise=NOISE, coil=False)
    crossings = CrossingFinder(0.0, 100.0, levels).feed(0, x)
    finder = ContactFinder()
    found = join_contacts([finder.feed(crossings, False), finder.finish(False)])
    return found.take(found.whole)  # the first one follows nothing


@pytest.mark.parametrize(
    ("tau", "lasts", "flight", "off"),
    [
        (0.53, 2.0, 12.0, 0.1),  # 20 microseconds at 100 kS/s behind 30 kHz
        (0.53, 1.2, 9.0, 0.1),
        (0.28, 1.04, 8.0, 0.1),  # 52 kS/s
        (0.28, 1.04, 1.3, 0.3),  # and lost for hardly more than a sample
        (1.33, 1.5, 20.0, 0.1),  # 6 microseconds at 250 kS/s: never near closed
    ],
)
def test_a_touch_that_never_comes_to_closed_is_the_first(
    tau: float, lasts: float, flight: float, off: float
) -> None:
    x, began = _bouncing(tau, lasts, flight, seed=1)
    contacts = _contacts(x)
    placed = place_first(
        contacts.touch, contacts.leave, contacts.bounces > 0, Response(tau), Brief()
    )
    late = placed.at - tau * LN2 - began[np.abs(placed.at[:, None] - began).argmin(axis=1)]
    assert len(late) >= len(began) - 1
    assert abs(float(late.mean())) < off
    assert np.abs(late).max() < 1.0


def test_spikes_far_from_a_touch_are_none() -> None:
    x, began = _bouncing(0.5, 10.0, 20.0, seed=2)
    plain = _contacts(x)
    for t in began[1:]:
        x[int(t) - 100] = 400
    spiked = _contacts(x)
    assert np.array_equal(plain.touch.at, spiked.touch.at)


def test_what_no_sample_falls_into_is_said() -> None:
    """Touches of a fifth of a sample: most leave no sign, and that is seen by those that do."""
    x, _ = _bouncing(0.1, 0.2, 9.0, seed=3, count=200)
    contacts = _contacts(x)
    brief = Brief()
    place_first(contacts.touch, contacts.leave, contacts.bounces > 0, Response(0.1), brief)
    assert brief.lost
