"""The turn of the gap against handbook figures."""

from __future__ import annotations

import pytest

from breakerbench.tools.gap import gap_change_mm, inches


def test_a_wider_gap_shortens_the_dwell() -> None:
    assert gap_change_mm(61.4, 52.0, -50.0) == pytest.approx(0.188)
    assert gap_change_mm(47.0, 52.0, -50.0) == pytest.approx(-0.1)
    assert gap_change_mm(52.0, 52.0, -50.0) == 0.0


@pytest.mark.parametrize("change", [0.0, 50.0, float("nan")])
def test_a_change_of_the_wrong_sign_is_refused(change: float) -> None:
    with pytest.raises(ValueError, match="negative"):
        gap_change_mm(50.0, 52.0, change)


def test_inches() -> None:
    """NAVEDTRA 14273, chapter 2: 0.025 inch with 6 and 4 cylinders, which is 0.635 mm."""
    assert inches(0.635) == pytest.approx(0.025)
