"""Changes of the ground, told from what sections say; on sections heard as plain measurements of their shape and size.

The evidence is compared with scipy's multivariate normal density of the same measurements.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.stats import multivariate_normal

from convergence.projection.ground import (
    FADING,
    GROUND_LENGTH,
    GROUND_SHARE,
    OWN_SHARE,
    Sections,
    changes_near,
    gather,
    likeness,
    log_evidence,
    same_ground,
    shared,
)
from convergence.projection.prior import between_sections, physical_prior
from convergence.projection.shape import ShapePosterior

Floats = npt.NDArray[np.float64]

PRIOR = physical_prior(10.0)
ERROR = 0.15


def heard(shapes: Floats, sizes: Floats, error: float = ERROR, spacing: float = 12.0) -> Sections:
    """Sections a spacing apart whose shapes, about the prior's mean, and log sizes are each heard with an error."""
    information = np.eye(6) / error**2
    found = [
        ShapePosterior(
            PRIOR.mean + away, information, information @ (PRIOR.mean + away), np.zeros((1, 6)), np.ones(1), 1.0
        )
        for away in shapes
    ]
    place = spacing * np.arange(len(shapes))
    return gather(place, found, PRIOR, np.exp(sizes), np.exp(2 * sizes) * error**2)


def test_the_evidence_is_the_density_of_what_was_measured() -> None:
    """Shapes measured with a known error: up to what no covariance changes, the log density by scipy."""
    generator = np.random.default_rng(3)
    shapes = generator.normal(0.2, 0.3, (3, 6))
    site = heard(shapes, np.zeros(3))
    same = np.array([[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    found, direct = [], []
    for together in (np.ones((3, 3)), same):
        covariance = np.kron(shared(together), PRIOR.covariance) + np.kron(
            likeness(site.chainage, together), between_sections(4)
        )
        found.append(log_evidence(covariance, np.kron(np.eye(3), np.eye(6) / ERROR**2), site.shift.ravel()))
        direct.append(multivariate_normal.logpdf(shapes.ravel(), np.zeros(18), covariance + ERROR**2 * np.eye(18)))
    assert found[1] - found[0] == pytest.approx(direct[1] - direct[0], abs=1e-8)


def test_correlations_are_as_said() -> None:
    place = np.array([0.0, 30.0, 90.0])
    together = np.array([[1.0, 0.5, 0.2], [0.5, 1.0, 0.4], [0.2, 0.4, 1.0]])
    assert likeness(place, together)[0, 1] == pytest.approx((1 - OWN_SHARE) * np.exp(-30.0 / FADING) * 0.5)
    assert np.diag(likeness(place, together)) == pytest.approx(1.0)
    assert shared(together)[0, 2] == pytest.approx(1 - GROUND_SHARE + GROUND_SHARE * 0.2)


def test_alike_sections_are_of_one_ground() -> None:
    generator = np.random.default_rng(5)
    together = same_ground(heard(0.3 + 0.1 * generator.normal(size=(10, 6)), 0.1 * generator.normal(size=10)), PRIOR)
    assert together.min() > 0.5
    assert np.diag(together) == pytest.approx(1.0)
    assert np.linalg.eigvalsh(together).min() > 0.0, "a covariance times it is a covariance"


@pytest.mark.parametrize("where", [2, 5, 8])
def test_a_change_is_found_where_it_is(where: int) -> None:
    """Beyond it sections move a quarter as much and creep a third as much."""
    generator = np.random.default_rng(where)
    shapes, sizes = 0.05 * generator.normal(size=(10, 6)), 0.1 * generator.normal(size=10)
    shapes[where:, 2:] -= np.log(3.0)
    sizes[where:] -= np.log(4.0)
    site = heard(shapes, sizes)
    together = same_ground(site, PRIOR)
    assert together[where - 1, where] < 0.1
    assert together[:where, :where].min() > 0.5
    assert together[where:, where:].min() > 0.5
    for index in range(10):
        ((one, two, chance),) = changes_near(site.chainage, together, index)
        assert (one, two) == (where - 1, where)
        assert chance == pytest.approx(1.0 - together[one, two])


def test_a_weak_zone_of_one_section_is_set_apart() -> None:
    generator = np.random.default_rng(7)
    shapes, sizes = 0.05 * generator.normal(size=(9, 6)), 0.1 * generator.normal(size=9)
    shapes[4, 2:] += np.log(4.0)
    sizes[4] += np.log(5.0)
    together = same_ground(heard(shapes, sizes), PRIOR)
    assert together[3, 4] < 0.2
    assert together[4, 5] < 0.2


def test_a_section_that_says_nothing_is_as_far_as_grounds_are_rare() -> None:
    """Without information the probability of a change is that of the length between, about 12 m in GROUND_LENGTH."""
    site = heard(np.zeros((6, 6)), np.zeros(6))
    site.information[5], site.shift[5], site.variance[5] = 0.0, 0.0, 100.0
    chance = 1.0 - same_ground(site, PRIOR)[4, 5]
    assert chance == pytest.approx(1.0 - np.exp(-12.0 / GROUND_LENGTH), abs=0.03)


def test_the_order_of_sections_does_not_matter() -> None:
    generator = np.random.default_rng(9)
    shapes, sizes = 0.4 * generator.normal(size=(6, 6)), 0.4 * generator.normal(size=6)
    site = heard(shapes, sizes)
    turn = np.array([3, 0, 5, 1, 4, 2])
    turned = Sections(*(getattr(site, name)[turn] for name in ("chainage", "information", "shift", "size", "variance")))
    assert same_ground(turned, PRIOR) == pytest.approx(same_ground(site, PRIOR)[np.ix_(turn, turn)])


def test_one_section_is_of_its_own_ground() -> None:
    assert same_ground(heard(np.zeros((1, 6)), np.zeros(1)), PRIOR) == pytest.approx(np.ones((1, 1)))
