"""The equilibrium against an axisymmetric finite-element tunnel whose face advances round by round.

The tunnel is the bench's (its own mesh, ground and rings; it shares no code with the library), elastic, lined round by
round. The share of the movement without lining is that of the same mesh without rings, so that only the balance of
ground and lining and what the lining does to the face are compared.
"""

from __future__ import annotations

import dataclasses
from functools import partial

import numpy as np
import pytest

from convergence.laws import FloatArray
from convergence.lining import (
    AgeCurve,
    ElasticGround,
    Equilibrium,
    Lining,
    MohrCoulombGround,
    SprayedLayer,
    SpringSupport,
    advance_equilibrium,
    age_curve,
    held_equilibrium,
    layer_stiffness,
    lining_hold,
)
from convergence.lining.layers import full_share
from tests.bench.ground.lining import Lining as BenchLining
from tests.bench.ground.material import Ground
from tests.bench.ground.mesh import Mesh, axial_lines, build_mesh, radial_lines
from tests.bench.ground.solver import Response, Stepping, drive

RADIUS, YOUNG, POISSON, STRESS = 5.0, 1800.0, 0.3, 7.0
ROUNDS = 36
FACES, TIMES = np.linspace(1.25, 45.0, ROUNDS), np.arange(ROUNDS) * 0.3
STEPPING = Stepping(longest=50.0)
#: The middle of a round, far enough from both ends of the drive.
PLACE = 20 * 1.25 - 0.625


@pytest.fixture(scope="module")
def tunnel() -> tuple[Mesh, Ground, Response]:
    """Mesh, elastic ground and the drive without lining."""
    mesh = build_mesh(RADIUS, radial_lines(RADIUS), axial_lines(FACES, RADIUS), 3)
    n = mesh.n_z
    shear, bulk = YOUNG / (2.0 * (1.0 + POISSON)), YOUNG / (3.0 * (1.0 - 2.0 * POISSON))
    ground = Ground(
        STRESS, STRESS, np.full(n, shear), np.full(n, bulk), np.full((1, n), 1e9), np.full((1, n), 1.0)
    )  # fmt: skip
    return mesh, ground, drive(mesh, ground, None, TIMES, 30.0, stepping=STEPPING)


def hardening(age: float | FloatArray, days: float) -> FloatArray:
    """The bench's law of stiffness with age."""
    return np.asarray(-np.expm1(-((np.maximum(age, 0.0) / days) ** 0.55)))


def compared(
    tunnel: tuple[Mesh, Ground, Response], behind: int, modulus: float, days: float
) -> tuple[float, float, Equilibrium, Equilibrium]:
    """Final movement [mm] and pressure [MPa] of the bench, and both forms of the library's equilibrium."""
    mesh, ground, free = tunnel
    stiffness = modulus * 0.3 / RADIUS**2
    sprayed = np.full(mesh.n_z, np.inf)
    sprayed[:ROUNDS] = TIMES[np.minimum(np.arange(ROUNDS) + behind, ROUNDS - 1)] - 0.15
    ring = BenchLining(np.full(mesh.n_z, stiffness), sprayed, sprayed, hardening=days, relaxing=0.0)
    lined = drive(mesh, ground, ring, TIMES, 30.0, stepping=STEPPING)
    moved, alone = lined.at(PLACE, lined.time)[0], free.at(PLACE, lined.time)[0]
    final = float(free.at(PLACE, free.time[-1])[0])
    column = int(np.searchsorted(mesh.z, PLACE)) - 1
    # the mesh gives the final movement of a hole a little low; the library's ground is given that movement
    own = ElasticGround(STRESS, 1e3 * (1.0 + POISSON) * STRESS * RADIUS / final, POISSON)
    share = np.maximum.accumulate(alone / final)
    when = float(sprayed[column])
    if days > 1e-6:
        unit = float(layer_stiffness((SprayedLayer(0.3, 0.0, 1.0, age_curve("constant")),), RADIUS)[0])
        curve = AgeCurve(partial(hardening, days=days), full_share, "the bench's")
        built = Lining((SprayedLayer(0.3, when, stiffness / unit, curve),))
    else:
        built = Lining((), (SpringSupport(stiffness, when),))
    both = [solve(own, RADIUS, lined.time, share, built) for solve in (advance_equilibrium, held_equilibrium)]
    return float(moved[-1]), float(lined.pressure[column]), both[0], both[1]


@pytest.mark.parametrize(
    ("behind", "modulus", "days"),
    [(1, 25e3, 1e-9), (1, 5e3, 1e-9), (2, 25e3, 1e-9), (2, 25e3, 0.6)],
    ids=["stiff at the face", "soft at the face", "stiff behind", "hardening behind"],
)
def test_against_an_advancing_face(
    tunnel: tuple[Mesh, Ground, Response], behind: int, modulus: float, days: float
) -> None:
    """Movement within 3 %; the pressure lies between the two forms, or within 3 % of the held one (as computed)."""
    moved, pressure, plain, held = compared(tunnel, behind, modulus, days)
    assert float(held.movement[-1]) == pytest.approx(moved, rel=0.03)
    assert 0.97 * pressure < float(held.support_pressure[-1]) < 1.12 * pressure
    # without the correction the wall moves too much: what the plain construction leaves out
    assert float(plain.movement[-1]) > moved
    assert 0.86 * pressure < float(plain.support_pressure[-1]) < pressure


@pytest.mark.study
@pytest.mark.parametrize("cohesion", [1.5, 0.8])
@pytest.mark.parametrize("behind", [1, 2, 4])
def test_what_no_construction_sees_in_plastic_ground(
    tunnel: tuple[Mesh, Ground, Response], cohesion: float, behind: int
) -> None:
    """How far off both forms are where the ground yields: the bounds that the library's words quote (computed)."""
    mesh, elastic, _ = tunnel
    friction = float(np.radians(23.0))
    strength = 2.0 * cohesion * np.cos(friction) / (1.0 - np.sin(friction))
    rock = dataclasses.replace(
        elastic, strength=np.full(mesh.n_z, strength), friction=friction, yield_time=np.full(mesh.n_z, 0.05)
    )
    times, stepping = 4.0 * TIMES, Stepping(longest=20.0)
    free = drive(mesh, rock, None, times, times[-1] + 60.0, stepping=stepping)
    column, stiffness = int(np.searchsorted(mesh.z, PLACE)) - 1, 25e3 * 0.3 / RADIUS**2
    sprayed = np.full(mesh.n_z, np.inf)
    sprayed[:ROUNDS] = times[np.minimum(np.arange(ROUNDS) + behind, ROUNDS - 1)] - 0.6
    ring = BenchLining(np.full(mesh.n_z, stiffness), sprayed, sprayed, hardening=1e-9, relaxing=0.0)
    lined = drive(mesh, rock, ring, times, times[-1] + 60.0, stepping=stepping)
    alone, moved = free.at(PLACE, free.time)[0], float(lined.at(PLACE, lined.time)[0][-1])
    pressure, final = float(lined.pressure[column]), float(alone[-1])
    closed = float(MohrCoulombGround(STRESS, YOUNG, POISSON, cohesion, friction).movement(0.0, RADIUS))
    assert final == pytest.approx(closed, rel=0.10)
    # the mesh is coarse where the ground yields: the library's ground is given the same movement without lining
    own = MohrCoulombGround(STRESS, YOUNG * closed / final, POISSON, cohesion, friction)
    share = np.clip(np.maximum.accumulate(np.interp(lined.time, free.time, alone / final)), 0.0, 1.0)
    built = Lining((), (SpringSupport(stiffness, float(sprayed[column])),))
    plain, held = (solve(own, RADIUS, lined.time, share, built) for solve in (advance_equilibrium, held_equilibrium))
    assert 1.02 < float(plain.movement[-1]) / moved < 1.20
    assert 0.50 < float(plain.support_pressure[-1]) / pressure < 0.69
    assert 0.76 < float(held.movement[-1]) / moved < 0.95
    assert 0.83 < float(held.support_pressure[-1]) / pressure < 0.95


def test_a_soft_or_absent_lining_holds_nothing() -> None:
    assert float(lining_hold(1.0)) == 1.0
    assert float(lining_hold(0.7)) == pytest.approx(0.85366)
    ground = ElasticGround(4.0, 1000.0, 0.25)
    time, share = np.linspace(0.0, 10.0, 11), np.linspace(0.0, 1.0, 11)
    for built in (Lining(()), Lining((), (SpringSupport(0.0, 4.0),))):
        plain, held = (solve(ground, 5.0, time, share, built) for solve in (advance_equilibrium, held_equilibrium))
        np.testing.assert_allclose(held.movement, plain.movement, rtol=1e-9, atol=1e-9)


def test_samples_are_held_each_for_itself() -> None:
    ground = ElasticGround(4.0, np.array([500.0, 1000.0]), 0.25)
    time, share = np.linspace(0.0, 10.0, 41), np.linspace(0.0, 1.0, 41)
    when = np.array([3.0, 6.0])
    together = held_equilibrium(ground, 5.0, time, share, Lining((), (SpringSupport(300.0, when),)))
    for place, modulus in enumerate((500.0, 1000.0)):
        alone = held_equilibrium(
            ElasticGround(4.0, modulus, 0.25), 5.0, time, share, Lining((), (SpringSupport(300.0, when[place]),))
        )
        np.testing.assert_allclose(together.movement[:, place], alone.movement, rtol=1e-8, atol=1e-9)
