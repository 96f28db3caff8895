"""Simulation-based calibration of the projection: ``python -m tests.bench.calibration``.

Shapes and amplitudes are drawn from the projection's own prior, readings with the site's noise are made from them by
the projection's own model, and the section is projected. If inference is right, the place of the truth in what the
projection says (its probability there) is uniform over many draws [1]: humps in the middle tell bands that are too
wide, at both ends bands that are too narrow, at one end a bias. This checks the inference and not the law: whether the
ground does as the model says is for ``tests.bench.projection``.

.. [1] S. Talts, M. Betancourt, D. Simpson, A. Vehtari and A. Gelman, "Validating Bayesian inference algorithms with
   simulation-based calibration", 2018. From memory.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import chisquare

from convergence.laws import FacePath
from convergence.measures.series import Series
from convergence.projection.bases import share_to_come, unit_movement
from convergence.projection.expected import Pattern
from convergence.projection.prior import DISCREPANCY, TAIL, ShapePrior, physical_prior, within_section
from convergence.projection.result import PROBABILITIES
from convergence.projection.section import LEAST_SHARE, SLOPE_STEP
from convergence.projection.task import SectionTask
from convergence.projection.work import project_alone, project_pooled
from convergence.survey.noise_model import Noise

Floats = npt.NDArray[np.float64]

WIDTH, HORIZON = 10.0, 365.0
NOISE = Noise(0.5, 0.35, 1.5)
#: Steady, a stop of a week, steady again, the end of the drive.
FACE = FacePath(np.array([-40.0, 8.0, 15.0, 75.0, 500.0]), np.array([-100.0, 20.0, 20.0, 170.0, 170.0]))
#: Crown settlement and the transverse movement of two walls; what the other sections would say of them.
MEASURES = ("settlement", "transverse", "transverse")
PATTERN = Pattern(np.array([30.0, 18.0, -16.0]), np.array([9.0, 6.0, 6.0]), 0.5)
#: Days of readings, four a day; one is drawn.
UNTIL = (3.0, 8.0, 20.0, 45.0)
BINS = 10


@dataclass(frozen=True)
class Places:
    """Places of the truth in what was said, 0 to 1: of one final value, of the influence length, of the creep share."""

    final: float
    length: float
    creep: float
    held: bool


def draw_shape(prior: ShapePrior, generator: np.random.Generator) -> Floats:
    """One shape from the prior, as the prior says it."""
    return np.asarray(generator.multivariate_normal(prior.mean, prior.covariance, method="cholesky"))


def released(times: Floats, theta: Floats) -> Floats:
    """What the model says has moved by each time at a shape, over what comes from its reference distance on."""
    return np.asarray(unit_movement(FACE, times, theta, WIDTH) / share_to_come(theta[None], WIDTH))


def own_shapes(times: Floats, theta: Floats, generator: np.random.Generator) -> Floats:
    """What each measure's own shape adds to the release, to first order as the model has it, (measures, n)."""
    steps = SLOPE_STEP * np.eye(len(theta))
    slopes = np.stack([released(times, theta + row) - released(times, theta - row) for row in steps]) / (2 * SLOPE_STEP)
    away = generator.multivariate_normal(
        np.zeros(len(theta)), within_section(len(theta) - 2), len(MEASURES), method="cholesky"
    )
    return np.asarray(away @ slopes)


def blank_task(prior: ShapePrior, time: Floats, values: Floats) -> SectionTask:
    """A section of one stage with readings; the dates are now and the horizon."""
    series = tuple(
        Series(
            "S1", 0.0, measure, f"P{number}", f"{measure} {number}", time, value, np.zeros(len(time), dtype=np.int64),
            {"full": FACE}, WIDTH, WIDTH, 0,
        )
        for number, (measure, value) in enumerate(zip(MEASURES, values, strict=True))
    )  # fmt: skip
    dates = np.concatenate([[time[0], time[-1]], np.geomspace(time[-1] + 1.0, HORIZON, 12)])
    none: tuple[tuple[()], ...] = ((),) * len(MEASURES)
    return SectionTask(
        "S1", 0.0, series, (FACE,), ("full",), dates, float(time[-1]), WIDTH, NOISE, none, prior, 0.9, PATTERN
    )


def one_draw(seed: int) -> Places:
    """Draw a section, read it, project it, and find the truth's place."""
    rng = np.random.default_rng([seed, 77])
    prior = physical_prior(WIDTH)
    theta = draw_shape(prior, rng)
    time = np.arange(0.5, float(rng.choice(UNTIL)) + 0.51, 0.25)
    times = np.append(time, HORIZON)
    share, own = released(times, theta), own_shapes(times, theta, rng)
    amplitude = rng.normal(1.0, PATTERN.factor_spread) * PATTERN.mean + rng.normal(0.0, PATTERN.spread)
    largest = float(np.abs(amplitude).max())
    size = np.maximum(np.abs(amplitude), max(LEAST_SHARE * largest, 1.0))
    values, finals = [], []
    for number in range(len(MEASURES)):
        steps = np.sqrt(np.diff(share, prepend=0.0)) * rng.standard_normal(len(times))
        unknown = DISCREPANCY * size[number] * np.cumsum(steps)
        law = amplitude[number] * share + size[number] * own[number]
        # the movement still to come differs from the law's by a share of itself
        law = np.append(law[:-1], law[-2] + (1.0 + TAIL * rng.standard_normal()) * (law[-1] - law[-2]))
        moved = law + unknown
        noise = NOISE.scaled(MEASURES[number]).covariance(time)
        read = moved[:-1] + rng.multivariate_normal(np.zeros(len(time)), noise, method="cholesky")
        values.append(read - read[0])
        finals.append(float(moved[-1] - moved[0]))
    task = blank_task(prior, time, np.array(values))
    alone = project_alone(task)
    said = project_pooled((task, alone.band, 1.0))
    chosen = int(rng.integers(len(MEASURES)))
    final = float(np.interp(finals[chosen], said.quantiles[chosen, -1], PROBABILITIES, left=0.0, right=1.0))
    samples, weight = alone.posterior.theta, alone.posterior.weight
    creep = np.exp(samples[:, 2:]).sum(axis=1)
    true_creep = float(np.exp(theta[2:]).sum())
    return Places(
        final,
        float(weight[samples[:, 0] < theta[0]].sum()),
        float(weight[creep < true_creep].sum()),
        0.05 < final < 0.95,
    )


def uniformity(places: npt.ArrayLike, bins: int = BINS) -> tuple[npt.NDArray[np.int64], float]:
    """Counts in bins of equal width, and the probability of a chi-square as large if the places were uniform."""
    counts = np.histogram(np.asarray(places, dtype=float), bins, (0.0, 1.0))[0]
    return counts, float(chisquare(counts).pvalue)


def draws(count: int, first_seed: int, jobs: int = 1) -> list[Places]:
    """So many draws, by seed."""
    seeds = range(first_seed, first_seed + count)
    if jobs <= 1:
        return [one_draw(seed) for seed in seeds]
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(one_draw, seeds, chunksize=4))


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the histograms."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench.calibration", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--draws", type=int, default=200, metavar="N", help="sections drawn (200)")
    parser.add_argument("--first-seed", type=int, default=1000, metavar="S", help="seed of the first (1000)")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="worker processes")
    options = parser.parse_args(arguments)
    found = draws(options.draws, options.first_seed, options.jobs)
    print(f"{len(found)} sections drawn from the prior; place of the truth in what was said, in tenths")
    for name in ("final", "length", "creep"):
        counts, chance = uniformity([getattr(item, name) for item in found])
        print(f"{name:<8} {' '.join(f'{count:4d}' for count in counts)}   chi-square p = {chance:.3f}")
    print(f"90 % bands of the final value that held: {np.mean([item.held for item in found]):.1%}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
