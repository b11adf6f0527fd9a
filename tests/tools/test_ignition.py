"""The verdict on a coil and its feed: a truth table, what it must never say, and its own advice."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from breakerbench.tools.ignition import (
    Known,
    Verdict,
    feed_by_current,
    feed_by_volts,
    judge_coil,
)
from breakerbench.tools.ignition_figures import nominal_v
from breakerbench.tools.ignition_fit import (
    fitting_coil_ohm,
    fitting_resistor,
    nearest_preferred,
    rating_w,
)
from breakerbench.tools.ignition_words import (
    BALLAST_MISSING,
    BALLAST_NOT_NEEDED,
    COIL_HIGH,
    COIL_LOW,
    DOES_NOT_FIT,
    LOWER_VOLTAGE,
    RESISTOR_SMALL,
    RIGHT,
    TITLES,
    TOO_CLOSE,
    TOO_MANY,
    UNDECIDED,
)

NONE = Known(0.0)


def seen(volts: float, coil: float, feed: float, told: float = 0.0, **other: str) -> Verdict:
    """The verdict where the current was measured, all figures exact."""
    return judge_coil(volts, Known(coil), Known(told), Known(volts / (coil + feed)), **other)


def told(volts: float, coil: float, feed: float, marked: str | None = None) -> Verdict:
    """The verdict from ohms alone, all figures exact."""
    return judge_coil(volts, Known(coil), Known(feed), marked=marked)


#: Feed of 0, 0.3, 0.8, 1.5, 2.2, 3.0 ohm, on 12 V, the current measured. Written out by hand from
#: common practice (about 3 ohm without a resistor, about 1.5 with one) and the contacts' 5 A.
FEEDS = (0.0, 0.3, 0.8, 1.5, 2.2, 3.0)
R, N, T, S, L, H, B, U = (
    RIGHT, BALLAST_NOT_NEEDED, TOO_MANY, RESISTOR_SMALL, COIL_LOW, COIL_HIGH, BALLAST_MISSING, UNDECIDED,
)  # fmt: skip
TABLE_12V = {
    0.3: (L, L, L, L, L, L),
    0.8: (L, L, L, L, L, L),
    1.2: (U, U, S, R, R, T),
    1.5: (U, U, S, R, R, T),
    1.9: (U, U, R, R, T, T),
    2.2: (B, R, R, R, T, T),
    2.6: (R, R, R, N, N, N),
    3.0: (R, R, N, N, N, N),
    3.5: (R, R, N, N, N, N),
    3.9: (R, R, N, N, N, N),
    4.5: (H, H, H, H, H, H),
    9.0: (H, H, H, H, H, H),
}
#: The same on 6 V, where a coil of 1.5 ohm stands alone and nothing is made for half of it.
TABLE_6V = {
    0.4: (L, L, L, L, L, L),
    0.75: (L, S, R, T, T, T),
    1.1: (L, R, R, T, T, T),
    1.3: (R, R, N, N, N, N),
    1.5: (R, R, N, N, N, N),
    1.9: (R, N, N, N, N, N),
    3.0: (H, H, H, H, H, H),
}


@pytest.mark.parametrize("volts", [12.0, 6.0])
def test_truth_table_with_the_current_measured(volts: float) -> None:
    for coil, row in (TABLE_12V if volts == 12.0 else TABLE_6V).items():
        for feed, expected in zip(FEEDS, row, strict=True):
            verdict = seen(volts, coil, feed)
            assert verdict.key == expected, (volts, coil, feed)
            if expected == U:
                assert verdict.fits == (BALLAST_MISSING, LOWER_VOLTAGE)


@pytest.mark.parametrize(
    ("coil", "feed", "marked", "key", "fits"),
    [
        (3.0, 0.0, None, RIGHT, None),
        (1.5, 1.5, None, RIGHT, None),
        (3.0, 1.5, None, BALLAST_NOT_NEEDED, None),
        (1.5, 3.0, None, TOO_MANY, None),
        (1.5, 0.0, None, UNDECIDED, (BALLAST_MISSING, LOWER_VOLTAGE, RIGHT)),
        (1.5, 0.0, "6v", LOWER_VOLTAGE, None),
        (1.5, 0.0, "12v-resistor", BALLAST_MISSING, None),
        (1.5, 0.0, "12v", COIL_LOW, None),
        (2.2, 0.0, None, BALLAST_MISSING, None),
        (0.6, 0.0, None, COIL_LOW, None),
    ],
)
def test_truth_table_from_the_ohms_alone(
    coil: float, feed: float, marked: str | None, key: str, fits: tuple[str, ...] | None
) -> None:
    verdict = told(12.0, coil, feed, marked)
    assert (verdict.key, verdict.fits) == (key, fits or (key,))


def test_what_marking_and_current_tell_apart() -> None:
    """1.5 ohm on 12 V: the current tells a hidden resistor, the marking which mistake it is."""
    assert seen(12.0, 1.5, 0.0, marked="6v").key == LOWER_VOLTAGE
    assert seen(12.0, 1.5, 0.0, marked="12v-resistor").key == BALLAST_MISSING
    for marked in (None, "6v", "12v-resistor"):
        hidden = seen(12.0, 1.5, 1.5, **({"marked": marked} if marked else {}))
        assert hidden.key == RIGHT
        assert hidden.hidden_ohm is not None
        assert hidden.hidden_ohm.value == pytest.approx(1.5)
        assert "1.5 ohm hide in the feed" in " ".join(hidden.to_do)
        assert "nobody told of" in hidden.sentence


def test_a_resistor_told_of_but_bridged_is_missing() -> None:
    verdict = seen(12.0, 1.5, 0.0, told=1.5)
    assert verdict.key == BALLAST_MISSING
    assert "1.5 ohm less than was told" in " ".join(verdict.to_do)


def test_more_current_than_the_coil_can_take() -> None:
    verdict = judge_coil(12.0, Known(3.0, 0.1), NONE, Known(8.0, 0.2))
    assert verdict.key == DOES_NOT_FIT
    assert "8.0 A" in verdict.sentence
    assert "resistor of" not in " ".join(verdict.to_do)


def test_as_analysis_calls_it() -> None:
    """The feed's resistance measured directly, nothing told: coil.ballast_ohm, coil.standing_a."""
    verdict = judge_coil(
        12.6, Known(1.48, 0.02), None, Known(4.17, 0.05), feed_ohm=Known(1.52, 0.04)
    )
    assert verdict.key == RIGHT
    assert verdict.hidden_ohm is None
    assert (verdict.current_a.value, verdict.feed_ohm.value) == (4.17, 1.52)


@pytest.mark.parametrize(
    ("coil", "feed", "fits"),
    [
        (Known(2.4, 0.15), Known(0.0), (BALLAST_MISSING, RIGHT)),
        (Known(4.0, 0.2), Known(0.0), (COIL_HIGH, RIGHT)),
        (Known(1.5, 0.1), Known(2.5, 0.2), (RIGHT, TOO_MANY)),
        (Known(3.0, 0.1), Known(0.55, 0.2), (BALLAST_NOT_NEEDED, RIGHT)),
    ],
)
def test_too_close_to_call(coil: Known, feed: Known, fits: tuple[str, ...]) -> None:
    verdict = judge_coil(12.0, coil, feed)
    assert (verdict.key, verdict.fits) == (TOO_CLOSE, fits)
    assert all(TITLES[key] in verdict.sentence or key == BALLAST_MISSING for key in fits)
    assert "ohms again" in verdict.to_do[0]
    exact = judge_coil(12.0, Known(coil.value + coil.u), Known(feed.value))
    assert exact.key in fits


COILS, FEED_OHMS = st.floats(0.2, 12.0), st.floats(0.0, 6.0)
US = st.floats(0.0, 0.5)


@given(st.sampled_from([6.0, 12.0]), COILS, FEED_OHMS, US, US, st.booleans())
def test_what_it_never_says(
    volts: float, coil: float, feed: float, u_coil: float, u_feed: float, measured: bool
) -> None:
    standing = Known(volts / (coil + feed)) if measured else None
    verdict = judge_coil(
        volts, Known(coil, u_coil), Known(feed), standing,
        feed_ohm=Known(feed, u_feed) if measured else None,
    )  # fmt: skip
    now = volts / (coil + feed)
    if verdict.key == RIGHT:
        # at the limits: 5 A of the contacts, 3 A, or the coil alone with leads of half an ohm
        assert 2.5 <= now <= 5.0 + 1e-9
    if now > 5.0:
        assert verdict.fits != (RIGHT,)
    assert (len(verdict.fits) > 1) is (verdict.key in (UNDECIDED, TOO_CLOSE))
    if u_coil == 0.0 and (u_feed == 0.0 or not measured):
        assert verdict.key != TOO_CLOSE
    assert verdict.sentence.endswith(".")
    assert verdict.to_do
    text = " ".join((verdict.sentence, verdict.contacts, *verdict.to_do))
    assert " -" not in text
    assert "nan" not in text
    # the verdict on the same figures, were they exact, is among those that fit
    exact = judge_coil(
        volts, Known(coil), Known(feed), standing, feed_ohm=Known(feed) if measured else None
    )  # fmt: skip
    assert set(exact.fits) <= set(verdict.fits)


@given(COILS, FEED_OHMS, st.booleans())
def test_ohms_in_proportion_to_the_volts_change_nothing(
    coil: float, feed: float, measured: bool
) -> None:
    """All limits are currents: 24 V with twice the ohms is judged as 12 V is."""
    make = seen if measured else told
    first, second = make(12.0, coil, feed), make(24.0, 2.0 * coil, 2.0 * feed)
    near = [abs(12.0 / x - limit) for x in (coil, coil + feed) for limit in (3, 5, 6, 12, 10 / 3)]
    if min(near) > 1e-6 and min(abs(feed - 0.5), abs(feed - 0.2)) > 1e-6:
        assert (first.key, first.fits) == (second.key, second.fits)


@given(st.sampled_from([6.0, 12.0, 24.0]), st.floats(0.6, 9.0))
def test_its_advice_mends_it(volts: float, coil: float) -> None:
    """With the resistor, or the coil, that it says to fit, the verdict is right."""
    verdict = seen(volts, coil, 0.0)
    resistor = fitting_resistor(volts, coil)
    if resistor is not None and f"resistor of {resistor.ohm:.1f} ohm" in " ".join(verdict.to_do):
        assert verdict.key != RIGHT
        mended = judge_coil(
            volts, Known(coil), Known(resistor.ohm), Known(volts / (coil + resistor.ohm))
        )
        assert mended.key == RIGHT
        assert mended.current_a.value == pytest.approx(resistor.current_a)
        assert resistor.rating_w >= 1.25 * resistor.current_a**2 * resistor.ohm
    if verdict.key != RIGHT:
        assert f"of about {volts / 4:.1f} ohm" in " ".join(verdict.to_do)
        assert seen(volts, volts / 4.0, 0.0).key == RIGHT


@given(st.floats(1.05, 2.3), st.floats(3.2, 6.0))
def test_the_resistance_to_take_out_is_what_is_too_much(coil: float, feed: float) -> None:
    verdict = seen(12.0, coil, feed)
    assert verdict.key == TOO_MANY
    kept = fitting_resistor(12.0, coil)
    assert kept is not None
    assert f"{kept.ohm:.1f}" in verdict.to_do[0] or f"{kept.ohm:.2f}" in verdict.to_do[0]
    assert seen(12.0, coil, kept.ohm).key == RIGHT


@given(COILS, FEED_OHMS, st.floats(9.5, 15.0))
def test_current_and_volts_find_the_same_feed(coil: float, feed: float, supply: float) -> None:
    current = supply / (coil + feed)
    first = feed_by_current(Known(supply), Known(current), Known(coil))
    second = feed_by_volts(Known(supply), Known(coil * current), NONE, Known(coil))
    assert first.value == pytest.approx(feed, abs=1e-9)
    assert second.value == pytest.approx(feed, abs=1e-9)


def test_uncertainty_of_the_feed_against_small_steps() -> None:
    """Root sum of squares of what each figure moves the result by."""
    figures = [Known(12.5, 0.2), Known(6.4, 0.05), Known(0.08, 0.01), Known(1.6, 0.12)]
    base = feed_by_volts(*figures)
    moved = 0.0
    for place, each in enumerate(figures):
        step = 1e-4
        others = [*figures]
        others[place] = Known(each.value + step * each.u, each.u)
        moved += ((feed_by_volts(*others).value - base.value) / step) ** 2
    assert base.u == pytest.approx(moved**0.5, rel=1e-3)


@pytest.mark.parametrize(
    ("current", "said"),
    [
        (Known(4.0, 0.1), "chapter 15)."),
        (Known(4.95, 0.1), "about as much as they can"),
        (Known(5.2, 0.1), "they burn"),
    ],
)
def test_contacts(current: Known, said: str) -> None:
    assert said in judge_coil(12.0, Known(3.0), None, current).contacts


def test_nominal_voltage() -> None:
    for volts, nominal in ((6.3, 6), (7.2, 6), (11.0, 12), (14.4, 12), (24.0, 24), (3.0, 3)):
        assert nominal_v(volts) == nominal


def test_fitting_coil() -> None:
    assert fitting_coil_ohm(12.0) == 3.0
    assert fitting_coil_ohm(12.0, 1.5) == 1.5
    assert fitting_coil_ohm(12.0, 2.5) is None  # 0.5 ohm: none is made for points
    assert fitting_coil_ohm(12.0, 5.0) is None


def test_a_coil_that_needs_none_gets_no_resistor() -> None:
    assert fitting_resistor(12.0, 3.0) is None
    assert fitting_resistor(12.0, 1.5, 1.5) is None


@given(st.floats(0.01, 1e5))
def test_preferred_value_is_near_in_ratio(ohm: float) -> None:
    """Steps of a twelfth of a decade: half of the widest (1.0 to 1.2, 2.2 to 2.7) away at most."""
    assert 1 / 1.12 <= nearest_preferred(ohm) / ohm <= 1.12


@pytest.mark.parametrize("ohm", [0.0, -1.0, float("nan"), float("inf")])
def test_no_preferred_value(ohm: float) -> None:
    with pytest.raises(ValueError, match="preferred"):
        nearest_preferred(ohm)


def test_rating() -> None:
    assert [rating_w(heat) for heat in (3.9, 4.1, 24.0, 400.0, 401.0)] == [5, 10, 50, 500, 600]


@pytest.mark.parametrize(
    "bad",
    [
        lambda: judge_coil(0.0, Known(3.0)),
        lambda: judge_coil(12.0, Known(0.0)),
        lambda: judge_coil(12.0, Known(-3.0)),
        lambda: judge_coil(12.0, Known(3.0), Known(-1.0)),
        lambda: judge_coil(12.0, Known(3.0), None, Known(0.0)),
        lambda: judge_coil(12.0, Known(3.0), marked="24v"),
        lambda: Known(float("nan")),
        lambda: Known(1.0, -0.1),
    ],
)
def test_nonsense_is_refused(bad: object) -> None:
    with pytest.raises(ValueError):  # noqa: PT011  each has its own words
        bad()  # type: ignore[operator]
