"""Page's sums: run lengths against textbooks, a Markov chain and a simulation; surprises against the normal law."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.stats import norm

from convergence.errors import ValueFault
from convergence.triggers.page import average_run_length, cumulative_sums, threshold_for

Floats = npt.NDArray[np.float64]


def exact_run_length(threshold: float, shift: float, allowance: float = 0.5, cells: int = 400) -> float:
    """Brook and Evans (1972, Biometrika 59, 539-549; from memory): the sum as a Markov chain of so many cells."""
    width = 2 * threshold / (2 * cells - 1)
    middle = np.arange(cells) * width
    low = np.append(-np.inf, middle[1:] - width / 2)
    high = middle + width / 2
    chain = norm.cdf(high[None, :] - middle[:, None] + allowance - shift) - norm.cdf(
        low[None, :] - middle[:, None] + allowance - shift
    )
    return float(np.linalg.solve(np.eye(cells) - chain, np.ones(cells))[0])


def two_sided(threshold: float, shift: float) -> float:
    """1 / ARL = 1 / ARL+ + 1 / ARL-."""
    return 1.0 / (1.0 / exact_run_length(threshold, shift) + 1.0 / exact_run_length(threshold, -shift))


#: Montgomery, Introduction to Statistical Quality Control, table of the two-sided tabular cusum with k = 1/2: run
#: length by shift of the mean in standard deviations, h = 4 and 5. From memory; half a unit of the last digit printed.
TABLE = (
    (4.0, 0.0, 168.0, 0.5),
    (4.0, 0.5, 26.6, 0.05),
    (4.0, 1.0, 8.38, 0.005),
    (4.0, 2.0, 3.34, 0.005),
    (5.0, 0.0, 465.0, 0.5),
    (5.0, 0.5, 38.0, 0.05),
    (5.0, 1.0, 10.4, 0.05),
    (5.0, 2.0, 4.01, 0.005),
)


@pytest.mark.parametrize(("threshold", "shift", "printed", "digit"), TABLE)
def test_the_chain_gives_the_printed_table(threshold: float, shift: float, printed: float, digit: float) -> None:
    assert two_sided(threshold, shift) == pytest.approx(printed, abs=1.01 * digit)


@pytest.mark.parametrize(("threshold", "shift", "printed", "digit"), TABLE)
def test_the_formula_is_within_four_per_cent_of_it(
    threshold: float, shift: float, printed: float, digit: float
) -> None:
    both = 1.0 / (1.0 / average_run_length(threshold, shift) + 1.0 / average_run_length(threshold, -shift))
    assert float(both) == pytest.approx(printed, rel=0.04)


def test_the_worked_number_of_the_book() -> None:
    """h = 5, k = 1/2: 938.2 on one side, 469.1 on two (Montgomery, Siegmund's approximation; from memory)."""
    assert round(float(average_run_length(5.0)), 1) == 938.2
    assert round(float(average_run_length(5.0)) / 2, 1) == 469.1


@pytest.mark.parametrize("threshold", [6.0, 8.0])
def test_it_holds_for_rare_alarms(threshold: float) -> None:
    """The thresholds in use lie beyond the printed tables; there the chain is the check."""
    assert float(average_run_length(threshold)) == pytest.approx(exact_run_length(threshold, 0.0), rel=0.03)


def test_no_drift_is_the_limit_of_the_formula() -> None:
    near = average_run_length(4.0, [0.5 - 1e-4, 0.5, 0.5 + 1e-4])
    assert near[1] == pytest.approx((4.0 + 1.166) ** 2)
    assert np.allclose(near, near[1], rtol=2e-3)


@pytest.mark.parametrize("run_length", [100.0, 8000.0, 1e6])
def test_the_threshold_is_the_inverse(run_length: float) -> None:
    assert float(average_run_length(threshold_for(run_length))) == pytest.approx(run_length, rel=1e-6)


def test_a_run_length_that_cannot_be_had_is_refused() -> None:
    with pytest.raises(ValueFault, match="ask for rarer false alarms"):
        threshold_for(1.0)


def test_sums_follow_their_recursion() -> None:
    numbers = np.random.default_rng(3).normal(0.2, 1.0, (4, 60))
    found = cumulative_sums(numbers)
    total = np.zeros(4)
    for index in range(60):
        total = np.maximum(0.0, total + numbers[:, index] - 0.5)
        assert found[:, index] == pytest.approx(total, abs=1e-12)


def test_false_alarms_come_as_often_as_stated() -> None:
    """Simulation: 4,000 rows of noise up to their first alarm; the mean run length has a standard error of 1.6 %."""
    rows, length, threshold = 4000, 4000, 4.0
    sums = cumulative_sums(np.random.default_rng(7).normal(size=(rows, length)))
    over = sums > threshold
    first = np.where(over.any(axis=1), over.argmax(axis=1) + 1, length)
    assert over.any(axis=1).mean() > 0.999
    assert first.mean() == pytest.approx(exact_run_length(threshold, 0.0), rel=0.05)
    assert first.mean() == pytest.approx(float(average_run_length(threshold)), rel=0.05)
