"""Measurement uncertainty: budgets, coverage, type A and type B figures, rounding for print.

Standard deviations as results in their own right (scatter) are in `spread`.

Sources: GUM, the Guide to the Expression of Uncertainty in Measurement (JCGM 100:2008), clause by
clause below. Two letters throughout: a small ``u`` is a *standard* uncertainty (one standard
deviation), a capital ``U`` is an *expanded* one (95.45 %, what screens, papers and results state).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from statistics import NormalDist
from typing import overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from breakerbench.measure.distributions import t_factor

#: Coverage probability of every stated U: that of 2 standard deviations of the normal
#: distribution, 0.954 499 7, so that k is 2 exactly where the degrees of freedom are infinite.
COVERAGE = math.erf(math.sqrt(2.0))

#: Rounding to two figures may make a stated U smaller by this share at most (`round_for_print`).
MAX_ROUNDING_LOSS = 0.02


# --- coverage -------------------------------------------------------------------------------


def coverage_of_each(several: int) -> float:
    """Coverage that each of several needs so that all of them together have COVERAGE (Bonferroni)."""
    return 1.0 - (1.0 - COVERAGE) / several


@overload
def coverage_factor(dof: float, coverage: float = COVERAGE) -> float: ...
@overload
def coverage_factor(
    dof: NDArray[np.float64], coverage: float = COVERAGE
) -> NDArray[np.float64]: ...
def coverage_factor(
    dof: float | NDArray[np.float64], coverage: float = COVERAGE
) -> float | NDArray[np.float64]:
    """Two-sided coverage factor k from Student's t (GUM G.3, G.4.1 and table G.2).

    dof       degrees of freedom, above 0, infinite allowed; a scalar or an array of any shape
    coverage  coverage probability, 0..1

    Degrees of freedom that are no whole number (they come from Welch and Satterthwaite) are used
    as they are: GUM G.4.1 note 1 leaves interpolating or truncating free. We interpolate, by the
    t distribution itself, since truncation makes U jump by several percent between two runs that
    differ by nothing; whoever wants to truncate passes ``math.floor(dof)``.

    Raises ValueError for degrees of freedom that are not above 0: an uncertainty about which
    nothing is known cannot be expanded.
    """
    if isinstance(dof, np.ndarray):
        if not np.all(dof > 0.0):
            raise ValueError("degrees of freedom must be above 0")
    elif not dof > 0.0:
        raise ValueError(f"degrees of freedom must be above 0, not {dof}")
    # 2 by definition of COVERAGE.
    normal = 2.0 if coverage == COVERAGE else NormalDist().inv_cdf(0.5 * (1.0 + coverage))
    if isinstance(dof, np.ndarray):
        each = [t_factor(float(n), coverage, normal) for n in dof.ravel()]
        return np.array(each).reshape(dof.shape)
    return t_factor(float(dof), coverage, normal)


def welch_satterthwaite(u: ArrayLike, dof: ArrayLike) -> NDArray[np.float64]:
    """Effective degrees of freedom of independent components (GUM G.2b).

    u, dof  standard uncertainties already multiplied by their sensitivities, and their degrees of
            freedom; arrays that broadcast against each other, components along the first axis

    Returns the array without its first axis; infinite where nothing of finite degrees of freedom
    counts.
    """
    u = np.asarray(u, dtype=np.float64)
    largest = np.max(np.abs(u), axis=0, initial=0.0)
    scaled = u / np.where(largest > 0.0, largest, 1.0)  # fourth powers of 1e-90 would vanish
    total = np.sum(scaled**2, axis=0) ** 2
    lost = np.sum(scaled**4 / np.asarray(dof, dtype=np.float64), axis=0)
    with np.errstate(divide="ignore"):
        return np.where(lost > 0.0, total / np.where(lost > 0.0, lost, 1.0), np.inf)


# --- budgets --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Component:
    """One line of a budget.

    name         what it is, in words a person reads
    u            standard uncertainty of the input, in the input's own unit, 0 or more
    dof          degrees of freedom of u; infinite for a type B figure taken as certain
    sensitivity  change of the result for a change of one in the input (GUM 5.1.3)
    """

    name: str
    u: float
    dof: float = math.inf
    sensitivity: float = 1.0

    def __post_init__(self) -> None:
        if not (self.u >= 0.0 and math.isfinite(self.u)):
            raise ValueError(f"{self.name}: u must be finite and 0 or more, not {self.u}")
        if not self.dof > 0.0:
            raise ValueError(f"{self.name}: degrees of freedom must be above 0, not {self.dof}")
        if not math.isfinite(self.sensitivity):
            raise ValueError(f"{self.name}: sensitivity must be finite, not {self.sensitivity}")

    @property
    def contribution(self) -> float:
        """Signed share in the result, sensitivity times u, in the unit of the result."""
        return self.sensitivity * self.u


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """One printed line: as `Component`, with its share of the combined variance, 0..1.

    Shares of independent components add up to 1; those of correlated ones need not.
    """

    name: str
    u: float
    dof: float
    sensitivity: float
    contribution: float
    share: float


@dataclass(frozen=True, slots=True)
class Budget:
    """A value with the components of its uncertainty (GUM 5.1, 5.2 and G.4).

    correlation  correlation matrix of the inputs, rows of coefficients in the order of the
                 components (GUM 5.2.2); None where all are independent

    Components that are correlated with each other (directly or through others) were estimated
    together: for the effective degrees of freedom their block counts as one component, with the
    smallest degrees of freedom in it. For inputs observed together n times this is n - 1, as in
    GUM H.2; elsewhere it errs to the wide side.
    """

    value: float
    unit: str
    components: tuple[Component, ...]
    correlation: tuple[tuple[float, ...], ...] | None = None

    def __post_init__(self) -> None:
        if self.correlation is None:
            return
        matrix = np.asarray(self.correlation, dtype=np.float64)
        if matrix.shape != (len(self.components),) * 2:
            raise ValueError("the correlation matrix needs one row and one column a component")
        if not (np.allclose(matrix, matrix.T) and np.allclose(np.diag(matrix), 1.0)):
            raise ValueError("the correlation matrix must be symmetric with a diagonal of 1")
        if np.min(np.linalg.eigvalsh(matrix), initial=0.0) < -1e-9:
            raise ValueError("these correlations contradict each other")

    def _blocks(self) -> list[list[int]]:
        """Numbers of the components, grouped into blocks without correlation between them."""
        count = len(self.components)
        block = list(range(count))
        for i in range(count):
            for j in range(i):
                if self.correlation is not None and self.correlation[i][j] != 0.0:
                    old, new = block[i], block[j]
                    block = [new if number == old else number for number in block]
        return [[i for i in range(count) if block[i] == name] for name in sorted(set(block))]

    def _block_u(self, block: list[int]) -> float:
        if len(block) == 1:
            return abs(self.components[block[0]].contribution)
        assert self.correlation is not None
        shares = np.array([self.components[i].contribution for i in block])
        matrix = np.array([[self.correlation[i][j] for j in block] for i in block])
        return math.sqrt(max(0.0, float(shares @ matrix @ shares)))

    @property
    def u_c(self) -> float:
        """Combined standard uncertainty, in the unit of the value (GUM 10 and 16)."""
        return math.hypot(*(self._block_u(block) for block in self._blocks()))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom, infinite where nothing uncertain counts (GUM G.2b)."""
        blocks = self._blocks()
        u = [self._block_u(block) for block in blocks]
        dof = [min(self.components[i].dof for i in block) for block in blocks]
        return float(welch_satterthwaite(u, dof))

    @property
    def k(self) -> float:
        """Coverage factor for 95.45 %."""
        return coverage_factor(self.dof)

    @property
    def U(self) -> float:  # noqa: N802  the GUM's own symbol
        """Expanded uncertainty k u_c, in the unit of the value."""
        return self.k * self.u_c

    def rows(self) -> tuple[BudgetRow, ...]:
        """The budget line by line, in the order it was written."""
        variance = self.u_c**2
        return tuple(
            BudgetRow(
                name=part.name,
                u=part.u,
                dof=part.dof,
                sensitivity=part.sensitivity,
                contribution=abs(part.contribution),
                share=part.contribution**2 / variance if variance > 0.0 else 0.0,
            )
            for part in self.components
        )


def effective_dof(components: Iterable[Component]) -> float:
    """Effective degrees of freedom of independent components (GUM G.2b)."""
    return Budget(0.0, "", tuple(components)).dof


def propagate(
    function: Callable[..., float],
    values: Sequence[float],
    components: Sequence[Component],
    unit: str,
    correlation: tuple[tuple[float, ...], ...] | None = None,
) -> Budget:
    """Budget of ``function(*values)``, its sensitivities found by moving each input by its u.

    The sensitivity of an input is (f(x + u) - f(x - u)) / 2u, GUM 5.1.3 note 2; those that the
    components carry are replaced. First order only: where a second-order term counts it must be
    added as a component of its own (GUM 5.1.2 note).
    """
    if len(values) != len(components):
        raise ValueError("one component a value is needed")
    derived = []
    for place, component in enumerate(components):
        sensitivity = 0.0
        if component.u > 0.0:
            above, below = list(values), list(values)
            above[place] += component.u
            below[place] -= component.u
            sensitivity = (function(*above) - function(*below)) / (above[place] - below[place])
        derived.append(replace(component, sensitivity=float(sensitivity)))
    return Budget(float(function(*values)), unit, tuple(derived), correlation)


# --- type A: from repeated observations -----------------------------------------------------


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard uncertainty and the degrees of freedom behind it."""

    value: float
    u: float
    dof: float

    @property
    def U(self) -> float:  # noqa: N802  the GUM's own symbol
        """Expanded uncertainty, 95.45 %."""
        return coverage_factor(self.dof) * self.u

    def component(self, name: str, sensitivity: float = 1.0) -> Component:
        """This estimate's uncertainty as a line of a budget."""
        return Component(name, self.u, self.dof, sensitivity)


def mean_from_moments(count: int, mean: float, squared_deviations: float) -> Estimate:
    """Mean with u = s / sqrt(n) and n - 1 degrees of freedom (GUM 4.2.3), from running sums.

    squared_deviations  sum of (x - mean)^2, in the squared unit of the mean

    Raises ValueError for fewer than two observations: one value tells nothing of its scatter.
    """
    if count < 2:
        raise ValueError(f"a type A uncertainty needs two observations or more, not {count}")
    variance = squared_deviations / (count - 1)
    return Estimate(mean, math.sqrt(max(0.0, variance) / count), float(count - 1))


def type_a_mean(values: ArrayLike) -> Estimate:
    """Mean of independent observations, its standard uncertainty and degrees of freedom."""
    values = np.asarray(values, dtype=np.float64).ravel()
    if values.size < 2:
        raise ValueError(f"a type A uncertainty needs two observations or more, not {values.size}")
    mean = float(np.mean(values))
    return mean_from_moments(values.size, mean, float(np.sum((values - mean) ** 2)))


# --- type B: from what is known of the instrument -------------------------------------------


def rectangular(half_width: float) -> float:
    """u of a value anywhere within +- half_width, all equally likely (GUM 4.3.7)."""
    return half_width / math.sqrt(3.0)


def triangular(half_width: float) -> float:
    """u of a value within +- half_width, the middle likeliest (GUM 4.3.9)."""
    return half_width / math.sqrt(6.0)


def arcsine(half_width: float) -> float:
    """u of a value that swings as a sine within +- half_width (U-shaped; GUM H.1.3.4)."""
    return half_width / math.sqrt(2.0)


def resolution(step: float) -> float:
    """u of a reading rounded to the nearest ``step`` (GUM F.2.2.1)."""
    return step / math.sqrt(12.0)


def dof_of_reliability(relative: float) -> float:
    """Degrees of freedom of a judged u that may itself be wrong by ``relative`` (GUM G.3).

    0.25 (a quarter) gives 8.
    """
    return 0.5 / relative**2


# --- rounding for print ---------------------------------------------------------------------


def round_for_print(value: float, expanded: float) -> tuple[str, str]:
    """Value and its uncertainty as text: the uncertainty to two figures, the value to its place.

    GUM 7.2.6 wants at most two figures and leaves the direction to common sense (10.47 up to 11,
    28.05 down to 28). Our rule that does both: to the nearest, but up where the nearest would make
    the uncertainty smaller by more than 2 %. An uncertainty of 0 leaves the value at six figures.

    Raises ValueError for anything not finite and for a negative uncertainty.
    """
    if not (math.isfinite(value) and math.isfinite(expanded) and expanded >= 0.0):
        raise ValueError(f"cannot print {value} +- {expanded}")
    if expanded == 0.0:
        return format(Decimal(f"{value:.6g}"), "f"), "0"
    exact = Decimal(repr(float(expanded)))
    place = Decimal(1).scaleb(exact.adjusted() - 1)
    steps = (exact / place).to_integral_value()
    if steps * place < exact * Decimal(1 - MAX_ROUNDING_LOSS):
        steps += 1
    if steps >= 100:  # 99.6 became 100: one figure fewer behind
        place = place.scaleb(1)
        steps = Decimal(10)
    whole = Decimal(repr(float(value))) / place
    shown = whole.to_integral_value() * place
    return _plain(shown, place), _plain(steps * place, place)


def _plain(number: Decimal, place: Decimal) -> str:
    """Fixed notation with exactly the decimals of ``place``; never minus nought."""
    exponent = place.as_tuple().exponent
    assert isinstance(exponent, int)
    text = f"{number:.{max(0, -exponent)}f}"
    return text.lstrip("-") if number == 0 else text
