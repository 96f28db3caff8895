"""Sections made for tests of the back-analysis: five prisms on a circle, a face in rounds, an elastic ground."""

from __future__ import annotations

import dataclasses

import numpy as np
import numpy.typing as npt

from convergence.job.design_assumptions import Assumption, GroundAssumptions, LayerAssumption, LiningAssumptions
from convergence.laws import FacePath
from convergence.lining.back_analysis import predicted_rows
from convergence.lining.back_analysis_data import Row, SectionData
from convergence.lining.back_analysis_model import SectionModel
from convergence.lining.back_analysis_prior import Prior, values_at
from convergence.survey.job import Job

RADIUS = 5.0
ROUNDS = np.arange(-12, 31)
PATH = FacePath(np.repeat(ROUNDS / 3.0 + 4.0, 2), 1.2 * np.repeat(np.arange(-13, 31), 2)[1:-1])
ANGLES = np.deg2rad([90.0, 135.0, 45.0, 175.0, 5.0])
POINTS = ("crown", "left shoulder", "right shoulder", "left wall", "right wall")
ZERO = float(PATH.passage()) + 0.6
UNTIL = 20.0


def known(value: float) -> Assumption:
    return Assumption(value, value, value)


GROUND = GroundAssumptions(
    vertical_stress=Assumption(3.0, 2.4, 3.75), stress_ratio=Assumption(0.9, 0.6, 1.3),
    modulus=Assumption(900.0, 450.0, 1800.0), poisson_ratio=known(0.3), release_at_support=Assumption(0.4, 0.25, 0.6),
)  # fmt: skip
LINING = LiningAssumptions(
    radius=known(RADIUS), layers=(LayerAssumption(known(0.2), delay=known(0.4)),), modulus=Assumption(12e3, 8e3, 18e3),
    strength=known(25.0), age_curve="constant", poisson_ratio=known(0.2),
)  # fmt: skip


def make_model(ground: GroundAssumptions = GROUND, lining: LiningAssumptions = LINING) -> SectionModel:
    return SectionModel(ground, lining, RADIUS, {"heading": PATH}, {"heading": 1.0}, UNTIL, ANGLES)


def make_data(values: npt.ArrayLike | None = None, section: str = "A", sigma: float = 0.5) -> SectionData:
    """Settlements, transverse movements, the wall chord, then the lost parts of the prisms."""
    labels = [f"settlement {name}" for name in POINTS] + [f"transverse {name}" for name in POINTS]
    names = [*POINTS, *POINTS]
    zeros, one = np.zeros((5, 5)), np.eye(5)
    single = np.block([[zeros, one], [one, zeros]])
    # left wall to right wall is level: shortening is the left one's way to the right less the right one's
    chord = single[5 + 3] - single[5 + 4]
    onto = np.concatenate([single, chord[None, :], single])
    given = np.zeros(len(onto)) if values is None else np.asarray(values, dtype=np.float64)
    rows = [
        Row(section, label, name, kind, float(value), sigma, ZERO)
        for (label, name, kind), value in zip(
            [*((a, b, "final") for a, b in zip(labels, names, strict=True)),
             ("chord left wall:right wall", "left wall:right wall", "final"),
             *((a, b, "lost") for a, b in zip(labels, names, strict=True))],
            given, strict=True,
        )
    ]  # fmt: skip
    size = len(onto)
    own = sigma**2 * (onto @ onto.T) * np.equal.outer(np.arange(size) > 10, np.arange(size) > 10) + 0.09 * np.eye(size)
    relative = np.zeros((size, 2))
    relative[:11, 0], relative[11:, 1] = 0.02, 0.15
    scale = float(max(np.sqrt(np.mean(given[:10] ** 2)), 1.0))
    return SectionData(section, tuple(rows), POINTS, ANGLES, onto, own, relative, scale)


def predict(model: SectionModel, priors: tuple[Prior, ...], normal: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """What the model itself predicts for one set of standard normal numbers [mm]."""
    ground, lining, _ = values_at(priors, np.atleast_2d(np.asarray(normal, dtype=np.float64)))
    return predicted_rows(model.respond(ground, lining), make_data())[0]


def without_ground(job: Job) -> Job:
    """The same job without its table [ground]."""
    settings = dataclasses.replace(job.settings, ground=None)
    return dataclasses.replace(job, folder=dataclasses.replace(job.folder, settings=settings))
