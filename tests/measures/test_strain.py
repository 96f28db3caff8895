"""Strain against a published table of a real tunnel."""

from __future__ import annotations

import numpy as np
import pytest

from convergence.measures.strain import diametral_strain

#: Headrace tunnel in flysch: radius [m], final convergence [mm] by chainage, and the strain conv/(2R) in per
#: cent. Radius and convergence: Terron-Almenara and Panthi 2025, Table 5 (published, open access). Strain:
#: computed by hand from them; the paper gives the bands of its three groups, below 0.15, 0.2-0.4 and 0.5-0.75
#: % (published).
TABLE = [
    ("7+029", 3.25, 34, 0.523),
    ("7+064", 3.2, 32, 0.5),
    ("7+092", 3.0, 30, 0.5),
    ("7+136", 3.0, 20, 0.333),
    ("7+168", 3.3, 32, 0.485),
    ("7+194", 3.0, 18, 0.3),
    ("7+218", 2.9, 24, 0.414),
    ("7+266", 3.0, 12, 0.2),
    ("7+291", 3.0, 18, 0.3),
    ("7+316", 3.1, 16, 0.258),
    ("7+342", 3.15, 16, 0.254),
    ("7+423", 3.25, 6, 0.092),
    ("7+455", 2.95, 8, 0.136),
    ("7+531", 3.05, 46, 0.754),
]


@pytest.mark.parametrize(("chainage", "radius", "convergence", "strain"), TABLE)
def test_published_sections(chainage: str, radius: float, convergence: float, strain: float) -> None:
    """Three decimals are given: half a unit of the last is allowed."""
    assert float(diametral_strain(convergence, 2 * radius)) == pytest.approx(strain, abs=0.0005 + 1e-9), chainage


def test_published_bands_hold_all_sections() -> None:
    """Every section lies in one of the groups' bands as printed, to a rounding of 0.02 %."""
    radius, convergence = np.array([row[1] for row in TABLE]), np.array([row[2] for row in TABLE])
    strain = diametral_strain(convergence, 2 * radius)
    in_band = (strain < 0.15) | ((strain > 0.18) & (strain < 0.42)) | ((strain > 0.48) & (strain < 0.77))
    assert in_band.all()


def test_shape_and_sign() -> None:
    found = diametral_strain([[1.0], [-2.0]], [10.0, 5.0, 2.0])
    assert found.shape == (2, 3)
    assert found[1, 1] == pytest.approx(-0.04)
