"""Drive a tunnel through the mesh round by round and follow the wall to the end of the creep."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_solve_banded, cholesky_banded

from tests.bench.ground.lining import Lining, Rings
from tests.bench.ground.material import Ground, Yield, creep_factors, deviator, initial_stress, yield_of
from tests.bench.ground.mesh import SHEAR_FACTOR, Floats, Mesh


@dataclass(frozen=True)
class Stepping:
    """Length of the steps [days]: ``growth`` times the time since the last round, from the shortest to the longest."""

    shortest: float = 0.04
    growth: float = 0.5
    slow_growth: float = 0.12
    longest: float = 10.0

    def next(self, since_round: float, left: float) -> float:
        """The next step, with ``left`` days to the next round."""
        growth = self.growth if since_round < 1.0 else self.slow_growth
        step = float(np.clip(growth * since_round, self.shortest, self.longest))
        # two steps of like length rather than a long and a tiny one
        return left if left < 1.3 * step else (0.5 * left if left < 2.0 * step else step)


@dataclass(frozen=True)
class Response:
    """Movement of the wall nodes: times [days] (n_t,), place z [m] (n,), inward and along the drive [mm] (n_t, n)."""

    time: Floats
    z: Floats
    inward: Floats
    along: Floats
    pressure: Floats

    def at(self, z: float, time: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Inward movement and movement along the drive [mm] at a chainage, at any times; straight between the steps."""
        right = int(np.clip(np.searchsorted(self.z, z), 1, len(self.z) - 1))
        share = (z - self.z[right - 1]) / (self.z[right] - self.z[right - 1])
        when = np.asarray(time, dtype=float)
        values = [(1 - share) * part[:, right - 1] + share * part[:, right] for part in (self.inward, self.along)]
        return np.interp(when, self.time, values[0]), np.interp(when, self.time, values[1])


class _State:
    """Displacements, stresses and strains of the run, and one step of it."""

    def __init__(self, mesh: Mesh, ground: Ground, lining: Lining | None) -> None:
        self.mesh, self.ground = mesh, ground
        n_gauss = 4 * mesh.n_elements
        self.column = np.repeat(np.arange(mesh.n_z), 4 * mesh.n_r)
        self.shape = (mesh.n_z, 4 * mesh.n_r)
        self.before = deviator(initial_stress(ground, 1))
        self.stress = initial_stress(ground, n_gauss)
        self.creep = np.zeros((len(ground.kelvin_shear), 4, n_gauss))
        self.movement = np.zeros(mesh.n_dof)
        self.there = np.ones((mesh.n_z, mesh.n_r))
        self.rings = Rings(lining, np.diff(mesh.z), mesh.radius) if lining else None
        self.yielding: Yield | None = None
        if ground.strength is not None:
            near = np.flatnonzero(mesh.r[:-1] < 6.0 * mesh.radius)
            able = np.zeros((mesh.n_z, mesh.n_r), dtype=bool)
            able[np.ix_(np.isfinite(ground.strength), near)] = True
            self.points = np.flatnonzero(np.repeat(able.ravel(), 4))
            self.yielding = yield_of(ground, self.column[self.points])

    def excavate(self, upto: int) -> None:
        """Take the core out of the first ``upto`` columns."""
        self.there[:upto, : self.mesh.core] = 0.0
        self.stress *= np.repeat(self.there.ravel(), 4)

    def by_point(self, values: Floats) -> Floats:
        """Values by column spread to the Gauss points."""
        return values[self.column]

    def step(self, time: float, length: float) -> None:
        """One step; a step of no length is the answer at once to a round."""
        mesh, ground = self.mesh, self.ground
        decay, mean, modulus = creep_factors(length, ground)
        there = np.repeat(self.there.ravel(), 4)
        point_shear = self.by_point(modulus) * there
        free_strain = np.zeros_like(self.stress)
        shear_stress = deviator(self.stress) - self.before
        if length > 0.0:
            for unit in range(len(ground.kelvin_shear)):
                final = shear_stress / (SHEAR_FACTOR[:, None] * self.by_point(ground.kelvin_shear[unit]))
                free_strain += self.by_point(1.0 - decay[unit]) * (final - self.creep[unit])
            if self.yielding is not None:
                free_strain[:, self.points] += self.yielding.flow(self.stress[:, self.points], length)
        point_bulk = self.by_point(ground.bulk) * there
        trial = self.stress - self._stress_of(free_strain, point_shear, point_bulk)
        residual = -(mesh.force @ trial.ravel())
        element_shear = (modulus[:, None] * self.there).ravel()
        element_bulk = (ground.bulk[:, None] * self.there).ravel()
        band = np.zeros((mesh.bandwidth + 1, mesh.n_dof))
        band.ravel()[mesh.entries] = mesh.shear @ element_shear + mesh.bulk @ element_bulk
        if self.rings is not None:
            stiffness, pressure = self.rings.begin(time, length)
            area, wall = self.rings.area, mesh.wall_dof
            for end in (0, 1):
                dof = wall[end : mesh.n_z + end]
                band[0, dof] += stiffness[:, end] * area[:, end]
                residual[dof] += pressure[:, end] * area[:, end]
        residual[~mesh.free] = 0.0
        # nodes with no ground left around them
        band[0, band[0] <= 0.0] = 1.0
        factor = cholesky_banded(band, lower=True, overwrite_ab=True, check_finite=False)
        change = cho_solve_banded((factor, True), residual, overwrite_b=True, check_finite=False)
        self.movement += change
        strain = (mesh.strain @ change).reshape(4, -1)
        self.stress = trial + self._stress_of(strain, point_shear, point_bulk)
        if length > 0.0:
            self._creep_on(shear_stress, decay, mean)
        if self.rings is not None:
            wall_move = -change[mesh.wall_dof]
            self.rings.end(np.stack([wall_move[:-1], wall_move[1:]], axis=1))

    @staticmethod
    def _stress_of(strain: Floats, shear: Floats, bulk: Floats) -> Floats:
        volume = strain[0] + strain[1] + strain[2]
        out = strain * shear
        out[:3] *= 2.0
        out[:3] += (bulk - 2.0 * shear / 3.0) * volume
        return out

    def _creep_on(self, before: Floats, decay: Floats, mean: Floats) -> None:
        after = deviator(self.stress) - self.before
        for unit in range(len(self.creep)):
            compliance = 1.0 / (SHEAR_FACTOR[:, None] * self.by_point(self.ground.kelvin_shear[unit]))
            early = self.by_point(mean[unit] - decay[unit]) * before
            late = self.by_point(1.0 - mean[unit]) * after
            self.creep[unit] = self.creep[unit] * self.by_point(decay[unit]) + compliance * (early + late)


def drive(
    mesh: Mesh,
    ground: Ground,
    lining: Lining | None,
    round_times: Floats,
    end: float,
    divide: int = 1,
    stepping: Stepping | None = None,
) -> Response:
    """Take the next ``divide`` columns of the core out at each round, go on to ``end`` [days]; the wall by step."""
    stepping = stepping or Stepping()
    state = _State(mesh, ground, lining)
    wall = mesh.wall_dof
    times: list[float] = []
    inward: list[Floats] = []
    along: list[Floats] = []

    def record(time: float) -> None:
        times.append(time)
        inward.append(-1000.0 * state.movement[wall])
        along.append(1000.0 * state.movement[wall + 1])

    record(round_times[0] - 1e-6)
    for index, start in enumerate(round_times.tolist()):
        state.excavate(divide * (index + 1))
        state.step(start, 0.0)
        record(start)
        until = round_times[index + 1] if index + 1 < len(round_times) else end
        now = float(start)
        while now < until - 1e-9:
            length = stepping.next(now - start, until - now)
            state.step(now, length)
            now += length
            # just before the next round, which moves the wall at once
            record(min(now, until - 1e-6))
    pressure = state.rings.pressure.mean(axis=1) if state.rings else np.zeros(mesh.n_z)
    return Response(np.array(times), mesh.z, np.array(inward), np.array(along), pressure)
