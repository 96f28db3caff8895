"""One section as the plane model sees it: from numbers of ground and lining to the movement of its measures.

The equal part comes from `advance_equilibrium` along the logged and planned faces, the oval part of unequal stress from
`lined_movement` with the modulus that stands for the ageing lining of the equal part. What prisms show beyond these two
shapes (sinking as a whole, lopsided ground) is no mechanics of this model; see `back_analysis_data`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from convergence.job.design_assumptions import Assumption, GroundAssumptions, LiningAssumptions
from convergence.laws.arrays import FloatArray, floats
from convergence.laws.path import FacePath
from convergence.lining.design import DEFAULT_LINING_POISSON, design_ground, design_lining
from convergence.lining.elastic import kirsch_movement
from convergence.lining.equilibrium import Equilibrium, advance_equilibrium
from convergence.lining.layers import Lining
from convergence.lining.lined_movement import lined_movement
from convergence.lining.reaction import ElasticGround, GroundReaction
from convergence.lining.release import PROFILES, movement_share, plastic_movement_ratio
from convergence.lining.rounds import usual_round
from convergence.lining.steps import advance_steps
from convergence.lining.support import sprayed_ring_stiffness

REACH = 8.0
"""Radii ahead of and behind a section within which every round of a stage is followed."""
CLOSE = 3.0
"""Radii within which no round is left out."""
DEFAULT_PROFILE = "vlachopoulos diederichs"
SMALLEST = 1e-6
GREATEST = {"strength_index": 100.0, "disturbance": 1.0, "friction_angle": 1.4, "dilation_angle": 1.4}
"""Ends of numbers whose prior has none: where the formulas end, and 80 degrees."""


@dataclass(frozen=True)
class Response:
    """What the model says for a set of samples.

    Attributes
    ----------
    balance : Equilibrium
        Of ground and lining along the advance.
    share : ndarray, shape (steps, samples)
        Share of the final movement without support that the faces have released.
    loose, lined : ndarray, shape (steps, samples)
        Parts of the oval movement that have come without and with lining [-].
    installed : ndarray, shape (samples,)
        Day of the first layer; infinite without one.
    release : ndarray, shape (samples,)
        Share released when the first layer acts.
    oval_free, oval_final : tuple of ndarray, shape (samples, points)
        Radial and tangential oval movement [mm] with everything released: without lining, and with it.
    lining_modulus : ndarray, shape (samples,)
        Modulus that stands for the whole lining with its ageing [MPa], for its thickness of the sample.
    lining_thickness : ndarray, shape (samples,)
        Thickness of all layers together [m]; 0 without lining.
    built : Lining
        The lining of the samples.
    """

    balance: Equilibrium
    share: FloatArray
    loose: FloatArray
    lined: FloatArray
    installed: FloatArray
    release: FloatArray
    oval_free: tuple[FloatArray, FloatArray]
    oval_final: tuple[FloatArray, FloatArray]
    lining_modulus: FloatArray
    lining_thickness: FloatArray
    built: Lining

    def movement_at(self, day: float, angles: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Transverse and settlement [mm] of points since the ground was undisturbed, shape (samples, points)."""
        at = np.asarray(self.balance.movement_at(day)[0])[:, None]
        step = int(np.clip(np.searchsorted(self.balance.time, day, side="right") - 1, 0, len(self.share) - 1))
        loose, lined, begin = self.loose[step][:, None], self.lined[step][:, None], self.release[:, None]
        oval = [
            free * loose + (final - free * begin) * lined
            for free, final in zip(self.oval_free, self.oval_final, strict=True)
        ]
        inward, around = at + oval[0], oval[1]
        sine, cosine = np.sin(angles), np.cos(angles)
        return np.asarray(-inward * cosine - around * sine), np.asarray(inward * sine - around * cosine)


@dataclass(frozen=True)
class SectionModel:
    """One section: how the faces passed it, and what the design assumes.

    Attributes
    ----------
    ground : GroundAssumptions
        The ground.
    lining : LiningAssumptions or None
        The lining; None for none.
    radius : float
        Radius of the ground side of the circle that stands for the opening [m].
    paths : mapping of str to FacePath
        Faces past the section, the leading stage first, to the end of the plan.
    weights : mapping of str to float
        Share of the whole release that each stage causes; they add up to 1.
    until : float
        Day up to which the model goes [days].
    angles : ndarray, shape (points,)
        Places of the points, from the horizontal on the right [rad]; the crown is at pi/2.
    logged_round : float
        Usual length of the leading stage's rounds by the log as it passed [m]; by the nodes of its path if NaN.
    """

    ground: GroundAssumptions
    lining: LiningAssumptions | None
    radius: float
    paths: Mapping[str, FacePath]
    weights: Mapping[str, float]
    until: float
    angles: FloatArray
    logged_round: float = float("nan")

    @property
    def usual_round(self) -> float:
        """Usual length of the leading stage's rounds past the section [m]; NaN where there are none."""
        if self.logged_round > 0.0:
            return self.logged_round
        return usual_round(self.leading, CLOSE * self.radius)

    @property
    def leading(self) -> FacePath:
        """Face of the leading stage."""
        return next(iter(self.paths.values()))

    def built(self, values: Mapping[str, FloatArray]) -> Lining:
        """The lining for numbers of samples."""
        if self.lining is None or not self.lining.layers:
            return Lining(())
        return design_lining(self.lining, self.leading, {"radius": floats(self.radius), **values})

    def reaction(self, values: Mapping[str, FloatArray]) -> GroundReaction:
        """The ground for numbers of samples, which end where the formulas do: dilation at the friction angle, say."""
        numbers = {name: value for name, value in values.items() if name != "release_at_support"}
        for name in GREATEST.keys() & numbers.keys():
            numbers[name] = np.minimum(numbers[name], GREATEST[name])
        dilation, friction = self.ground.dilation_angle, self.ground.friction_angle
        if friction is not None and {"dilation_angle", "friction_angle"} & numbers.keys():
            given = numbers.get("dilation_angle", floats(dilation.value if dilation is not None else 0.0))
            numbers["dilation_angle"] = np.minimum(given, numbers.get("friction_angle", floats(friction.value)))
        return design_ground(self.ground, numbers)

    @property
    def lining_poisson(self) -> float:
        """Poisson's ratio of the sprayed concrete [-]."""
        given = None if self.lining is None else self.lining.poisson_ratio
        return DEFAULT_LINING_POISSON if given is None else given.value

    def thickness(self, values: Mapping[str, FloatArray]) -> FloatArray:
        """Thickness of all layers together for numbers of samples [m]; 0 without lining."""
        whole = None if self.lining is None else self.lining.thickness
        return floats(values.get("thickness", 0.0 if whole is None else whole.value))

    def respond(
        self, ground_values: Mapping[str, FloatArray], lining_values: Mapping[str, FloatArray], only: str = ""
    ) -> Response:
        """Balance and movement for numbers of samples; with `only` that stage alone releases, lining as before."""
        numbers = {name: value for name, value in ground_values.items() if name != "release_at_support"}
        ground = self.reaction(ground_values)
        built = self.built(lining_values)
        count = max([1, *(np.size(value) for value in [*ground_values.values(), *lining_values.values()])])
        times = self.steps(built)
        parts = self._stage_shares(ground, times, count)
        whole = np.clip(np.sum(list(parts.values()), axis=0), 0.0, 1.0)
        first = np.full(count, np.inf)
        if built.installed:
            first = np.min([np.broadcast_to(floats(day), (count,)) for day in built.installed], axis=0)
        at = np.clip(np.searchsorted(times, first, side="right") - 1, 0, times.size - 1)
        before = np.clip(np.take_along_axis(whole, at[None, :], axis=0)[0], SMALLEST, 1.0 - SMALLEST)
        # a lining that never comes has no release of its own
        comes = first <= times[-1]
        release = np.where(comes, self._release(ground_values, before), before)
        # a power keeps 0 at 0 and 1 at 1 and gives the release that is asked for at the first layer
        share = np.clip(whole, 0.0, 1.0) ** (np.log(release) / np.log(before))
        begin = np.where(comes, release, 1.0)
        loose = np.minimum(share, begin)
        lined = np.clip((share - begin) / np.maximum(1.0 - begin, SMALLEST), 0.0, 1.0)
        if only:
            grown = np.diff(whole, axis=0, prepend=0.0)
            own = np.diff(parts[only], axis=0, prepend=0.0)
            caused = np.where(grown > 0.0, own / np.where(grown > 0.0, grown, 1.0), 0.0)
            share, loose, lined = (
                np.clip(np.cumsum(np.diff(part, axis=0, prepend=0.0) * caused, axis=0), 0.0, 1.0)
                for part in (share, loose, lined)
            )
        balance = advance_equilibrium(ground, self.radius, times, share, built)
        thick = np.broadcast_to(self.thickness(lining_values), (count,))
        modulus = self._standing_modulus(balance, built, first, thick)
        free, final = self._oval(ground, numbers, modulus, thick, release)
        return Response(balance, share, loose, lined, first, begin, free, final, modulus, thick, built)

    def steps(self, built: Lining) -> FloatArray:
        """Times of the steps [days]: rounds of every stage near the section, and fine where the lining is young."""
        marks = [*built.installed, built.closed]
        found = [np.array([self.leading.time[0], self.until])]
        for path in self.paths.values():
            near = np.abs(path.distance) <= REACH * self.radius
            # far from the section a few rounds together move the wall little
            far = np.abs(path.distance) > CLOSE * self.radius
            coarse = np.diff(np.floor(path.distance / (0.5 * self.radius)), append=np.inf) > 0.0
            kept = near & (coarse | ~far)
            if kept.sum() > 1 and path.time[kept][0] < self.until:
                seen = FacePath(path.time[kept], path.distance[kept])
                found.append(advance_steps(seen, self.until, marks, 0.5 * self.radius, 30.0)[0])
        times = np.unique(np.concatenate(found))
        return np.asarray(times[times >= self.leading.time[0]])

    def profile_release(self) -> Assumption:
        """Share released at the first layer by the design's profile, with the spread of all published ones."""
        ground, built = design_ground(self.ground), self.built({})
        first = float(np.min([float(np.max(floats(day))) for day in built.installed])) if built.installed else np.inf
        if not np.isfinite(first) or first > self.until:
            first = self.until
        found = {
            name: sum(
                weight
                * float(np.nan_to_num(np.max(movement_share(ground, self.paths[stage].at(first), self.radius, name))))
                for stage, weight in self.weights.items()
            )
            for name in PROFILES
        }
        value = found[self.ground.profile or DEFAULT_PROFILE]
        spread = [number for number in found.values() if number > 0.0]
        low, high = min([*spread, 0.9 * value]), max([*spread, 1.1 * value])
        ends = np.clip([value, low, high], 0.01, 0.99)
        return Assumption(float(ends[0]), float(min(ends[1], 0.98)), float(max(ends[2], ends[1] + 0.01)))

    def profile_share(self, values: Mapping[str, FloatArray]) -> float:
        """Share released when the first layer comes, by the design's profile alone, strictly between 0 and 1."""
        built = self.built(values)
        times = self.steps(built)
        whole = np.sum(list(self._stage_shares(design_ground(self.ground), times, 1).values()), axis=0)[:, 0]
        first = float(np.min([float(np.max(floats(day))) for day in built.installed])) if built.installed else np.inf
        at = int(np.clip(np.searchsorted(times, first, side="right") - 1, 0, times.size - 1))
        return float(np.clip(whole[at], SMALLEST, 1.0 - SMALLEST))

    def _release(self, ground_values: Mapping[str, FloatArray], before: FloatArray) -> FloatArray:
        """Share released at the first layer: of the samples, the design or the profile."""
        given = ground_values.get("release_at_support")
        if given is None and self.ground.release_at_support is not None:
            given = floats(self.ground.release_at_support.value)
        if given is None:
            return before
        return np.clip(np.broadcast_to(given, before.shape), SMALLEST, 1.0 - SMALLEST)

    def _stage_shares(self, ground: GroundReaction, times: FloatArray, count: int) -> dict[str, FloatArray]:
        """Share of the release by each stage at each step, shape (steps, samples)."""
        profile = self.ground.profile or DEFAULT_PROFILE
        found = {}
        for stage, weight in self.weights.items():
            distance = self.paths[stage].at(times)[:, None]
            share = np.nan_to_num(movement_share(ground, distance, self.radius, profile))
            found[stage] = weight * np.broadcast_to(np.maximum.accumulate(share, axis=0), (times.size, count))
        return found

    def _standing_modulus(
        self, balance: Equilibrium, built: Lining, first: FloatArray, thick: FloatArray
    ) -> FloatArray:
        """Modulus [MPa] of a ring without age that carries at the end what the real lining carries."""
        if not built.layers:
            return np.full(first.shape, SMALLEST)
        at = np.clip(np.searchsorted(balance.time, first, side="right") - 1, 0, balance.time.size - 1)
        begin = np.take_along_axis(balance.movement, at[None, :], axis=0)[0]
        moved = np.maximum(balance.movement[-1] - begin, 1e-9) * 1e-3
        ring = sprayed_ring_stiffness(1.0, self.lining_poisson, self.radius, thick)
        return np.asarray(np.clip(balance.support_pressure[-1] / moved / ring, SMALLEST, 1e6))

    def _oval(
        self,
        ground: GroundReaction,
        values: Mapping[str, FloatArray],
        modulus: FloatArray,
        thick: FloatArray,
        release: FloatArray,
    ) -> tuple[tuple[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]:
        """Oval movement with everything released, without and with lining; grown as the equal part where plastic."""
        ratio = values.get(
            "stress_ratio", floats(1.0 if self.ground.stress_ratio is None else self.ground.stress_ratio.value)
        )
        stress = values.get(
            "vertical_stress", floats(self.ground.vertical_stress.value if self.ground.vertical_stress else 1.0)
        )
        column = [
            np.reshape(np.broadcast_to(floats(value), modulus.shape), (-1, 1))
            for value in (stress, ratio, ground.modulus, ground.poisson_ratio, modulus, release, thick)
        ]
        load, side, stiff, poisson, ring, part, depth = column
        corner = np.array([0.25 * np.pi])
        places = np.concatenate([corner, self.angles])
        free = kirsch_movement(places, self.radius, load, side, self.radius, stiff, poisson)
        lined = lined_movement(places, load, side, self.radius, stiff, poisson, ring, self.lining_poisson, depth, part)
        more = np.ones_like(load)
        if not isinstance(ground, ElasticGround):
            more = np.reshape(np.broadcast_to(plastic_movement_ratio(ground, self.radius), modulus.shape), (-1, 1))
        oval = [((radial - radial[:, :1])[:, 1:] * more, around[:, 1:] * more) for radial, around in (free, lined)]
        return oval[0], oval[1]
