"""Published straight lines: NBS Handbook 91, ISO/TS 28037, QUAM A5, GUM H.3, Willink.

Status of the figures: V read in a public text, C recomputed. GTC is an independent uncertainty
library. Of ISO/TS 28037 the examples with uncertain x (GDR) are left out: we fit none such.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from GTC import type_a

from breakerbench.measure.fit import straight_line
from breakerbench.measure.uncertainty import Budget, Component, Estimate


def test_handbook_91() -> None:
    """Natrella, NBS Handbook 91, 5-4.1 (V): Young's modulus of sapphire against temperature."""
    x = np.array([30.0, *range(100, 1600, 100)])
    y = [4642, 4612, 4565, 4513, 4476, 4433, 4389, 4347, 4303, 4251, 4201, 4140, 4100, 4073, 4024]
    line = straight_line(x, [*y, 3999])
    assert line.slope.value == pytest.approx(-0.44985482, abs=5e-9)
    assert line.intercept.value == pytest.approx(4654.9846, abs=5e-5)
    assert line.slope.u**2 == pytest.approx(0.000025649045, abs=1e-12)
    assert line.intercept.u**2 == pytest.approx(19.879452, rel=1e-7)  # worked by hand
    assert line.fit.residual_sd == pytest.approx(9.277617, rel=1e-7)
    # page 5-15: variance of the line at 1200, and of one further observation at 750
    assert line.predict(1200.0).u ** 2 == pytest.approx(10.53, abs=5e-3)
    assert line.predict_observation(750.0).u ** 2 == pytest.approx(91.45, abs=5e-3)


#: ISO/TS 28037:2010, the two weighted examples (V): y, u(y), then a, b, u(a), u(b), cov, chi2.
WEIGHTED = {
    "page 13": (
        [3.3, 5.6, 7.1, 9.3, 10.7, 12.1],
        [0.5] * 6,
        (1.867, 1.757, 0.465, 0.120, -0.050, 1.665),
    ),
    "page 14": (
        [3.2, 4.3, 7.6, 8.6, 11.7, 12.8],
        [0.5, 0.5, 0.5, 1.0, 1.0, 1.0],
        (0.885, 2.057, 0.530, 0.178, -0.082, 4.131),
    ),
}


@pytest.mark.parametrize("example", WEIGHTED)
def test_iso_28037_weighted(example: str) -> None:
    x = np.arange(1.0, 7.0)
    y, u, published = WEIGHTED[example]
    line = straight_line(x, y, u)
    ours = (
        line.intercept.value,
        line.slope.value,
        line.intercept.u,
        line.slope.u,
        line.fit.covariance[0, 1],
        line.fit.chi_squared,
    )
    assert ours == pytest.approx(published, abs=5.1e-4)
    theirs = type_a.line_fit_wls(x.tolist(), y, u)
    assert line.intercept.value == pytest.approx(theirs.intercept.x, rel=1e-10)
    assert line.slope.value == pytest.approx(theirs.slope.x, rel=1e-10)
    # GTC's own sums lose some digits
    assert line.intercept.u == pytest.approx(theirs.intercept.u, rel=1e-6)
    assert line.slope.u == pytest.approx(theirs.slope.u, rel=1e-6)
    assert line.slope.dof == math.inf


def test_iso_28037_read_back() -> None:
    """ISO/TS 28037:2010, page 13 (V): x of y = 10.5 with u = 0.5."""
    y, u, _ = WEIGHTED["page 13"]
    found = straight_line(np.arange(1.0, 7.0), y, u).inverse(Estimate(10.5, 0.5, math.inf))
    assert found.value == pytest.approx(4.913, abs=5e-4)
    assert found.u == pytest.approx(0.322, abs=5e-4)


def test_quam_a5() -> None:
    """EURACHEM/CITAC QUAM, 3rd edition, A5 (V, C): calibration line of cadmium, read back."""
    x = np.repeat([0.1, 0.3, 0.5, 0.7, 0.9], 3)
    y = [0.028, 0.029, 0.029, 0.084, 0.083, 0.081, 0.135, 0.131, 0.133, 0.180, 0.181, 0.183]
    y = [*y, 0.215, 0.230, 0.216]
    line = straight_line(x, y)
    assert line.intercept.value == pytest.approx(0.0087, abs=5e-6)
    assert line.intercept.u == pytest.approx(0.00287670, abs=5e-9)
    assert line.slope.value == pytest.approx(0.2410, abs=5e-6)
    assert line.slope.u == pytest.approx(0.00500769, abs=5e-9)
    assert line.fit.correlation[0, 1] == pytest.approx(-0.870388, abs=5e-7)
    assert line.fit.residual_sd == pytest.approx(0.00548565, abs=5e-9)
    found = line.inverse_of_readings((0.0712 + 0.0716) / 2.0, 2)
    assert found.value == pytest.approx(0.260166, abs=5e-7)
    assert found.u == pytest.approx(0.0178446, abs=5e-8)
    assert found.dof == 13
    theirs = type_a.line_fit(x.tolist(), y)
    back = theirs.x_from_y([0.0712, 0.0716])
    assert found.value == pytest.approx(back.x, rel=1e-10)
    assert found.u == pytest.approx(back.u, rel=1e-10)


def test_gum_h3() -> None:
    """GUM H.3 (V, C): correction of a thermometer, the line meant at 20 degrees."""
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    line = straight_line(t, b, at=20.0)
    assert line.intercept.value == pytest.approx(-0.171203790, abs=5e-10)
    assert line.intercept.u == pytest.approx(0.00287759783, abs=1e-11)
    assert line.slope.value == pytest.approx(0.00218269774, abs=5e-12)
    assert line.slope.u == pytest.approx(0.000667938773, abs=5e-13)
    assert line.fit.correlation[0, 1] == pytest.approx(-0.930429603, abs=5e-10)
    assert line.fit.chi_squared == pytest.approx(0.00011009658310929731, rel=1e-10)
    assert line.fit.residual_sd == pytest.approx(0.00349756396, abs=5e-12)
    at_30 = line.predict(30.0)
    assert at_30.value == pytest.approx(-0.149376813, abs=5e-10)
    assert at_30.u == pytest.approx(0.00413859575, abs=5e-12)
    assert at_30.dof == 9
    # the printed figures, -0.1712 (29), 0.00218 (67), -0.1494 (41), hold all the same
    assert f"{line.intercept.value:.4f} {line.intercept.u:.4f}" == "-0.1712 0.0029"
    assert f"{line.slope.value:.5f} {line.slope.u:.5f}" == "0.00218 0.00067"
    assert f"{at_30.value:.4f} {at_30.u:.4f}" == "-0.1494 0.0041"
    theirs = type_a.line_fit([each - 20.0 for each in t], b)
    assert line.intercept.u == pytest.approx(theirs.intercept.u, rel=1e-9)


def test_willink_degrees_of_freedom() -> None:
    """Willink, Metrologia 45 (2008) 63, equations 12 and 13 (V).

    Three points at -1, 0, 1 with u = 0.1 and 2 degrees of freedom each: the line at 2/3 has
    variance 5 u^2 / 9 and 25 * 2 / 17 degrees of freedom. The weights of the three points there
    are 0, 1/3 and 2/3.
    """
    parts = [Component(f"y{i}", 0.1, 2.0, sensitivity=i / 3.0) for i in range(3)]
    budget = Budget(2.0 / 3.0, "", tuple(parts))
    assert budget.u_c**2 == pytest.approx(5.0 * 0.1**2 / 9.0, rel=1e-12)
    assert budget.dof == pytest.approx(25.0 * 2.0 / 17.0, rel=1e-12)
    line = straight_line([-1.0, 0.0, 1.0], [-1.0, 0.0, 1.0], u=0.1)
    assert line.predict(2.0 / 3.0).u ** 2 == pytest.approx(5.0 * 0.1**2 / 9.0, rel=1e-12)
