"""Every number of a bench tunnel drawn from its seed; the ranges stand beside the draws (invented, no source)."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np

from tests.bench.ground.drive import Clock, Face, draw_stops, following_face, leading_face
from tests.bench.ground.field import Layout, draw_layout, smooth_field
from tests.bench.ground.lining import Lining
from tests.bench.ground.material import Ground
from tests.bench.ground.mesh import Floats

#: Young's modulus of every run [MPa]; the movements are scaled afterwards, which is the same as another modulus.
NOMINAL_MODULUS = 1000.0


@dataclass(frozen=True)
class Site:
    """Opening, drive and stages."""

    seed: int
    family: str
    width: float
    height: float
    radius: float
    direction: int
    start_chainage: float
    sections: tuple[float, ...]
    record_place: float
    clock: Clock
    faces: tuple[Face, ...]
    shares: tuple[float, ...]
    layout: Layout


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def draw_site(seed: int, small: bool) -> Site:
    """Even seeds yield with time ("viscoplastic"), odd ones creep ("viscoelastic", one unit in three may yield too)."""
    rng = np.random.default_rng([seed, 1])
    family = "viscoplastic" if seed % 2 == 0 else "viscoelastic"
    width = round(float(rng.uniform(8.0, 10.0 if small else 14.0)), 1)
    height = round(float(np.clip(width * rng.uniform(0.74, 0.98), 8.0, 14.0)), 1)
    radius = 0.5 * float(np.sqrt(width * height))
    if small:
        count, spacing, first = 8, float(rng.uniform(5.0, 5.6)), 16.0
        record, length = 2.5 * width, 90.0
    else:
        spacing = float(rng.uniform(10.0, 16.0))
        count = int(rng.integers(12, max(12, min(20, int(1 + 150.0 / spacing))) + 1))
        first = float(rng.uniform(4.0, 5.5)) * radius
        record, length = float(rng.uniform(4.7, 5.3)) * width, 0.0
    sections = first + spacing * (np.arange(count) + rng.uniform(-0.12, 0.12, count))
    record_place = float(sections[-1]) + record
    length = length or record_place + float(rng.uniform(1.5, 3.0)) * width
    round_length = 1.5 if small else float(rng.uniform(1.0, 1.5))
    pace = float(rng.uniform(2.0, 5.0))
    epoch = datetime.datetime(2021, 1, 4, tzinfo=datetime.UTC) + datetime.timedelta(days=int(rng.integers(0, 700)))
    days = length / pace * 7.0 / 6.0
    clock = Clock(epoch, draw_stops(rng, days))
    faces = [leading_face(rng, clock, length, round_length, pace)]
    # prisms are set within a fresh round, not at its edge
    rounds = np.minimum(np.searchsorted(faces[0].place, sections), len(faces[0].place) - 1)
    sections = faces[0].place[rounds] - rng.uniform(0.5, 0.9, count)
    shares = [1.0]
    if rng.random() < 0.5:
        # the bench does not always stop with the heading
        own = Clock(epoch, tuple(stop for stop in clock.stops if rng.random() < 0.6))
        nearest = float(rng.uniform(6.0, 18.0))
        farthest = nearest + float(rng.uniform(6.0, 14.0))
        face = following_face(
            rng,
            own,
            "bench",
            faces[0],
            nearest,
            farthest,
            float(rng.uniform(2.0, 3.0)),
            pace * float(rng.uniform(1.4, 2.2)),
        )
        faces.append(face)
        shares = [float(rng.uniform(0.5, 0.65))]
        shares.append(round(1.0 - shares[0], 2))
        if rng.random() < 0.4:
            lag = float(rng.uniform(8.0, 16.0))
            step = float(rng.uniform(2.0, 3.0))
            fast = pace * float(rng.uniform(1.8, 2.6))
            faces.append(following_face(rng, own, "invert", face, lag, lag + float(rng.uniform(8.0, 16.0)), step, fast))
            shares = [shares[0], round((1 - shares[0]) * 0.65, 2), round((1 - shares[0]) * 0.35, 2)]
        shares[0] = round(1.0 - sum(shares[1:]), 2)
    direction = 1 if rng.random() < 0.5 else -1
    start = float(rng.integers(300, 4000)) + float(rng.choice([0.0, 0.5, 0.25]))
    return Site(
        seed, family, width, height, radius, direction, start, tuple(sections.tolist()), record_place, clock,
        tuple(faces), tuple(shares), draw_layout(rng, length),
    )  # fmt: skip


@dataclass(frozen=True)
class Nature:
    """What the runs of one tunnel share: the variation of the ground and how far two runs go together."""

    variation: float
    length: float
    unit_factors: Floats
    weak_modulus: float
    weak_strength: float
    yielding_units: tuple[int, ...]
    common_seed: int
    friction: float
    dilation: float
    plastic: float
    yield_time: float
    exponent: float
    creep: float
    times: Floats
    weights: Floats
    poisson: float
    stress: float
    stress_along: float


def draw_nature(site: Site) -> Nature:
    """Draws that hold for the whole tunnel."""
    rng = np.random.default_rng([site.seed, 2])
    units = len(site.layout.breaks) + 1
    viscoplastic = site.family == "viscoplastic"
    if viscoplastic:
        count, creep = int(rng.integers(1, 3)), float(rng.uniform(0.05, 0.3))
        yielding = tuple(range(units))
    else:
        count, creep = int(rng.integers(1, 5)), float(rng.uniform(0.05, 0.45))
        yielding = (int(rng.integers(units)),) if units > 1 and rng.random() < 0.35 else ()
    times = np.sort(np.exp(rng.uniform(np.log(0.5), np.log(15.0 if viscoplastic else 25.0), count)))
    stress = float(rng.uniform(2.0, 12.0))
    return Nature(
        variation=float(rng.uniform(0.10, 0.35)),
        length=float(rng.uniform(20.0, 60.0)),
        # modulus, strength, amount of creep, its times, yield time: deviations of the logarithm between units
        unit_factors=np.exp(rng.standard_normal((units, 5)) * np.array([0.3, 0.15, 0.25, 0.35, 0.35])),
        weak_modulus=float(rng.uniform(0.28, 0.42)),
        weak_strength=float(rng.uniform(0.7, 0.85)),
        yielding_units=yielding,
        common_seed=int(rng.integers(2**31)),
        friction=float(np.radians(rng.uniform(20.0, 32.0))),
        dilation=float(np.radians(rng.uniform(0.5, 4.0))) if rng.random() < 0.33 else 0.0,
        # radius of the plastic zone over the tunnel's, at rest and with no lining
        plastic=float(rng.uniform(1.25, 1.85)),
        yield_time=_log_uniform(rng, 0.3, 4.0),
        exponent=float(rng.uniform(1.0, 2.2)),
        creep=creep,
        times=times,
        weights=rng.dirichlet(np.full(count, 2.0)),
        poisson=float(rng.uniform(0.2, 0.35)),
        stress=stress,
        stress_along=stress * float(rng.uniform(0.8, 1.2)),
    )


def strength_of(stress: float, friction: float, plastic: Floats) -> Floats:
    """Unconfined strength [MPa] at which the plastic zone of an unlined tunnel at rest reaches ``plastic`` radii."""
    k = (1.0 + np.sin(friction)) / (1.0 - np.sin(friction))
    return np.asarray(2.0 * stress * (k - 1.0) / ((1.0 + k) * plastic ** (k - 1.0) - 2.0))


def ground_of_run(site: Site, nature: Nature, run: int, z: Floats) -> Ground:
    """Ground of run 0 (roof), 1 (walls) or later (bench, invert) at the element middles z.

    The fields of two runs go together by 0.75; stress, strength and times of a run differ from the tunnel's by 10-50 %.
    """
    rng = np.random.default_rng([site.seed, 3, run])
    unit = site.layout.unit(z)
    weak = site.layout.weakness(z)
    factors = nature.unit_factors[unit]
    # the same grid for every run and mesh, so that the same ground comes of the same draws
    grid = np.arange(-5.0, float(site.faces[0].place[-1]) + 15.0 * site.radius, 1.5)
    common = np.random.default_rng(nature.common_seed)

    def field() -> Floats:
        shared, own = smooth_field(common, grid, nature.length), smooth_field(rng, grid, nature.length)
        return np.asarray(np.interp(z, grid, 0.75 * shared + np.sqrt(1 - 0.75**2) * own))

    stiff, strong, much, long_, slow = (field() for _ in range(5))
    cv = nature.variation
    modulus = NOMINAL_MODULUS * factors[:, 0] * np.exp(cv * stiff) * (1.0 - weak * (1.0 - nature.weak_modulus))
    shear, bulk = modulus / (2 * (1 + nature.poisson)), modulus / (3 * (1 - 2 * nature.poisson))
    creep = nature.creep * float(rng.lognormal(0.0, 0.2)) * factors[:, 2] * np.exp(0.2 * much)
    times, weights = nature.times * rng.lognormal(0.0, 0.4, len(nature.times)), nature.weights
    yields = np.isin(unit, nature.yielding_units)
    if run > 1:
        # the later stages are linear: their creep stands for the flow as well
        times = np.append(times, 2.5 * nature.yield_time)
        weights = np.append(0.6 * weights, 0.4)
        creep = np.maximum(creep, 0.15)
        yields = np.zeros_like(yields)
    times = times[:, None] * factors[:, 3] * np.exp(0.3 * long_)
    kelvin = shear / (creep * weights[:, None])
    stress = nature.stress * float(rng.uniform(0.85, 1.15))
    along = stress * nature.stress_along / nature.stress
    if not yields.any():
        return Ground(stress, along, shear, bulk, kelvin, times)
    friction = nature.friction
    plastic = 1.0 + (nature.plastic - 1.0) * float(rng.uniform(0.7, 1.3))
    strength = strength_of(stress, friction, np.full_like(z, plastic))
    strength = (
        strength
        * factors[:, 1]
        * np.exp(0.5 * cv * (0.7 * stiff + 0.7 * strong))
        * (1 - weak * (1 - nature.weak_strength))
    )
    # no plastic zone beyond 2.3 radii, for small strains are all this can do
    strength = np.maximum(strength, strength_of(stress, friction, np.full_like(z, 2.3)))
    yield_time = nature.yield_time * float(rng.lognormal(0.0, 0.3)) * factors[:, 4] * np.exp(0.3 * slow)
    return Ground(
        stress, along, shear, bulk, kelvin, times, np.where(yields, strength, np.inf), friction, nature.dilation,
        yield_time, nature.exponent, 0.15 * nature.stress,
    )  # fmt: skip


@dataclass(frozen=True)
class Support:
    """The lining of the tunnel: kind and stiffness over the ground's, times, closure."""

    kind: str
    relative: float
    lag_rounds: int
    hours: float
    open_share: float
    closing_distance: float
    hardening: float
    relaxing: float
    relaxation_time: float
    capacity: float


def draw_support(site: Site) -> Support:
    """None 15 %, soft 25 %, middling 35 %, stiff 25 % of the tunnels; relative = K R / 2 G of the crept ground."""
    rng = np.random.default_rng([site.seed, 4])
    kind = str(rng.choice(["none", "soft", "medium", "stiff"], p=[0.15, 0.25, 0.35, 0.25]))
    low, high = {"none": (0.0, 0.0), "soft": (0.02, 0.1), "medium": (0.12, 0.45), "stiff": (0.5, 1.4)}[kind]
    later = rng.random() < 0.4
    return Support(
        kind=kind,
        relative=float(rng.uniform(low, high)),
        lag_rounds=int(rng.integers(0, 2)),
        hours=float(rng.uniform(2.0, 12.0)),
        open_share=float(rng.uniform(0.25, 0.7)) if later else 1.0,
        closing_distance=float(rng.uniform(8.0, 30.0)) if later else np.inf,
        hardening=float(rng.uniform(0.3, 1.5)),
        relaxing=float(rng.uniform(0.2, 0.65)),
        relaxation_time=_log_uniform(rng, 5.0, 60.0),
        capacity=float(rng.uniform(0.04, 0.12)) if rng.random() < 0.3 else np.inf,
    )


def lining_of_run(
    site: Site, support: Support, ground: Ground, nature: Nature, run: int, divide: int = 1
) -> Lining | None:
    """The rings of a run, ``divide`` a round; for a later stage they stand from the first and are hard."""
    if support.kind == "none":
        return None
    rng = np.random.default_rng([site.seed, 5, run])
    face = site.faces[0]
    n = len(ground.shear)
    crept = float(np.median(ground.shear)) / (1.0 + nature.creep)
    if nature.yielding_units and run < 2:
        crept *= 0.6
    stiffness = np.full(n, support.relative * 2.0 * crept / site.radius * float(rng.uniform(0.5, 1.1) if run else 1.0))
    if run > 1:
        return Lining(
            stiffness, np.full(n, -100.0), np.full(n, -100.0), 1.0, 0.5, support.relaxing, support.relaxation_time
        )
    rounds = len(face.time)
    after = np.minimum(np.arange(rounds) + support.lag_rounds, rounds - 1)
    sprayed = np.full(n, np.inf)
    hours = np.clip(support.hours * np.random.default_rng([site.seed, 6]).lognormal(0.0, 0.15, rounds), 2.0, 12.0)
    sprayed[: divide * rounds] = np.repeat(face.time[after] + hours / 24.0, divide)
    closed = np.full(n, -np.inf)
    if np.isfinite(support.closing_distance):
        closed = np.full(n, np.inf)
        far = np.minimum(face.place + support.closing_distance, face.place[-1])
        closed[: divide * rounds] = np.repeat([face.passage(z) for z in far.tolist()], divide)
    return Lining(
        stiffness, sprayed, closed, support.open_share, support.hardening, support.relaxing, support.relaxation_time,
        support.capacity * ground.stress_across,
    )  # fmt: skip
