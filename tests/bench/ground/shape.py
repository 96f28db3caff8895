"""From the runs to the prisms of a section: blends of roof and wall by angle, left and right unlike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.bench.ground.drive import Face
from tests.bench.ground.mesh import Floats
from tests.bench.ground.solver import Response

POSITIONS = ("crown", "left shoulder", "right shoulder", "left wall", "right wall")
CODES = ("CR", "LS", "RS", "LW", "RW")


@dataclass(frozen=True)
class Layer:
    """The movement one stage brings: a run for the roof and one for the walls, each with its factor."""

    roof: Response
    wall: Response
    roof_factor: float
    wall_factor: float


@dataclass(frozen=True)
class Shape:
    """How one tunnel's sections turn movements of roof and wall into those of prisms.

    Attributes
    ----------
    angles : array (5,)
        From the vertical [rad], + right.
    lean : float
        Surplus of the left side over the mean, -0.12 to 0.12: left and right differ by up to 25 %.
    mixing : float
        Share of the roof's history in the wall's on the left, of the wall's own on the right.
    sinking : float
        Settlement of the foot of the walls over that of the roof.
    sway : float
        Sideways movement of the roof over that of the walls.
    """

    angles: Floats
    lean: float
    lean_field: float
    mixing: float
    sinking: float
    sway: float
    half_width: float
    crown_height: float
    direction: int

    def place(self, index: int) -> tuple[float, float]:
        """Offset (+ right) and height (+ up) of a position [m] from the section's reference point."""
        angle = float(self.angles[index])
        return self.half_width * 0.97 * float(np.sin(angle)), self.crown_height * 0.97 * float(np.cos(angle))

    def movement(self, layers: list[Layer], z: float, index: int, time: npt.ArrayLike) -> Floats:
        """Longitudinal, transverse, settlement [mm] of position ``index`` at z since the start, shape (3, n)."""
        angle = float(self.angles[index])
        side = float(np.sign(round(angle, 9)))
        lean = (self.lean + self.lean_field * np.sin(z / 25.0)) * -side
        roof_share = np.cos(angle) ** 2
        out = np.zeros((3, np.size(time)))
        for layer in layers:
            roof, roof_along = (layer.roof_factor * part for part in layer.roof.at(z, time))
            wall, wall_along = (layer.wall_factor * part for part in layer.wall.at(z, time))
            if side:
                mixed = self.mixing if side < 0 else 0.0
                wall = (1.0 + lean) * ((1.0 - mixed) * wall + mixed * roof)
            radial = roof_share * roof + (1.0 - roof_share) * wall
            out[0] += self.direction * (roof_share * roof_along + (1.0 - roof_share) * wall_along)
            out[1] += -radial * np.sin(angle) + (self.sway * wall * self.lean if not side else 0.0)
            out[2] += radial * np.cos(angle) + self.sinking * roof * (1.0 - roof_share)
        return out


def draw_shape(seed: int, width: float, height: float, direction: int) -> Shape:
    """Shoulders at 40-52 degrees, walls at 78-96; left and right unlike by 0-25 %; walls sink 5-35 % of the roof."""
    rng = np.random.default_rng([seed, 7])
    shoulder, wall = np.radians(rng.uniform(40.0, 52.0)), np.radians(rng.uniform(78.0, 96.0))
    return Shape(
        angles=np.array([0.0, -shoulder, shoulder, -wall, wall]),
        lean=float(rng.uniform(-0.1, 0.1)),
        lean_field=float(rng.uniform(0.0, 0.025)),
        mixing=float(rng.uniform(0.0, 0.3)),
        sinking=float(rng.uniform(0.05, 0.35)),
        sway=float(rng.uniform(-1.0, 1.0)),
        half_width=0.5 * width,
        crown_height=0.6 * height,
        direction=direction,
    )


def zero_time(rng: np.random.Generator, face: Face, z: float) -> float:
    """Instant of the zero reading: 2-14 h after the passage, the face 0.5-3 m past where the work allows it."""
    passage = face.passage(z)
    latest = passage + 0.6
    near = face.time[(face.place >= z + 0.5) & (face.time <= latest)]
    far = face.time[face.place > z + 3.0]
    soonest = max(passage + 2.0 / 24.0, float(near[0]) + 0.5 / 24.0 if len(near) else 0.0)
    latest = max(min(latest, float(far[0]) if len(far) else latest), soonest + 0.02)
    return float(rng.uniform(soonest, latest))
