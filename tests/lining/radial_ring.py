"""An independent numerical solution to check the equilibrium with: a radial finite-element model in plane strain.

Nothing of the library is in it. Ground and lining are rings of linear elements in the radius; the ground is
Mohr-Coulomb with a return along the elastic direction, the lining a set of layers of its own elements that come in
stress-free and whose modulus grows. Far from the tunnel the ground is an elastic spring. Compression and inward
movement are positive; lengths in metres.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Rock:
    """Strength and stiffness of the ground; angles in degrees, a cohesion of None keeps it elastic."""

    stress: float
    modulus: float
    poisson: float
    cohesion: float | None = None
    friction: float = 0.0
    dilation: float = 0.0


@dataclass(frozen=True)
class Layer:
    """One layer of the lining: thickness, when it comes, and its modulus as a function of age."""

    thickness: float
    sprayed: float
    modulus: Callable[[float], float]
    poisson: float = 0.2


def elastic(modulus: float, poisson: float) -> Floats:
    """Stresses (radial, tangential) from strains, plane strain."""
    scale = modulus / ((1.0 + poisson) * (1.0 - 2.0 * poisson))
    return scale * np.array([[1.0 - poisson, poisson], [poisson, 1.0 - poisson]])


@dataclass
class Model:
    """The rings; `steps` walks a history of pressures on the wall."""

    rock: Rock
    radius: float
    layers: tuple[Layer, ...] = ()
    elements: int = 160
    reach: float = 15.0
    per_layer: int = 3
    nodes: Floats = field(init=False)

    def __post_init__(self) -> None:
        inner = [self.radius]
        for layer in self.layers:
            inner += list(inner[-1] - layer.thickness * np.arange(1, self.per_layer + 1) / self.per_layer)
        ground = self.radius * np.geomspace(1.0, self.reach, self.elements + 1)
        self.nodes = np.concatenate([inner[:0:-1], ground])

    def steps(self, time: Floats, pressure: Floats) -> Floats:
        """Wall movement [m] at each time; the pressure stands for the face and acts on the ground's wall."""
        middle = 0.5 * (self.nodes[1:] + self.nodes[:-1])
        length = np.diff(self.nodes)
        lined = len(self.layers) * self.per_layer
        # strain of an element from its two nodes: radial and tangential, inward movement and compression positive
        shape = np.zeros((middle.size, 2, 2))
        shape[:, 0, 0], shape[:, 0, 1] = -1.0 / length, 1.0 / length
        shape[:, 1, :] = (0.5 / middle)[:, None]
        weight = middle * length
        wall = lined
        stress = np.zeros((middle.size, 2))
        stress[lined:] = self.rock.stress
        moved = np.zeros(self.nodes.size)
        found = [0.0]
        for start, end, held in zip(time[:-1], time[1:], pressure[1:], strict=True):
            matrices = np.empty((middle.size, 2, 2))
            matrices[lined:] = elastic(self.rock.modulus, self.rock.poisson)
            for place in range(lined):
                # nodes run outwards: the last elements before the ground belong to the first layer
                layer = self.layers[(lined - 1 - place) // self.per_layer]
                age = 0.5 * (start + end) - layer.sprayed
                alive = layer.modulus(age) if age > 0.0 else 1e-9
                matrices[place] = elastic(alive, layer.poisson)
            change = np.zeros(self.nodes.size)
            for _ in range(60):
                strain = np.einsum("eij,ej->ei", shape, np.stack([change[:-1], change[1:]], axis=1))
                trial = stress + np.einsum("eij,ej->ei", matrices, strain)
                now, tangent = self.returned(trial, matrices, lined)
                force = np.zeros(self.nodes.size)
                parts = weight[:, None] * np.einsum("eij,ei->ej", shape, now)
                np.add.at(force, np.arange(middle.size), parts[:, 0])
                np.add.at(force, np.arange(1, self.nodes.size), parts[:, 1])
                # what acts on the nodes: the face's pressure on the wall, the far ground outside
                spring = self.rock.modulus / (1.0 + self.rock.poisson)
                far = (self.rock.stress - spring * (moved[-1] + change[-1]) / self.nodes[-1]) * self.nodes[-1]
                rest = -force
                rest[wall] -= held * self.radius
                rest[-1] += far
                stiff = np.zeros((self.nodes.size, self.nodes.size))
                local = weight[:, None, None] * np.einsum("eki,ekl,elj->eij", shape, tangent, shape)
                index = np.arange(middle.size)
                for row in (0, 1):
                    for column in (0, 1):
                        np.add.at(stiff, (index + row, index + column), local[:, row, column])
                stiff[-1, -1] += spring
                step = np.linalg.solve(stiff, rest)
                change += step
                if np.abs(step).max() < 1e-12:
                    break
            else:
                raise RuntimeError("the radial model found no balance")
            stress, moved = now, moved + change
            found.append(float(moved[wall]))
        return np.array(found)

    def returned(self, trial: Floats, matrices: Floats, lined: int) -> tuple[Floats, Floats]:
        """Stresses brought back to the strength, and the stiffness that goes with them."""
        now, tangent = trial.copy(), matrices.copy()
        if self.rock.cohesion is None:
            return now, tangent
        phi, psi = np.deg2rad(self.rock.friction), np.deg2rad(self.rock.dilation)
        slope = (1.0 + np.sin(phi)) / (1.0 - np.sin(phi))
        flow = (1.0 + np.sin(psi)) / (1.0 - np.sin(psi))
        strength = 2.0 * self.rock.cohesion * np.cos(phi) / (1.0 - np.sin(phi))
        normal, direction = np.array([-slope, 1.0]), np.array([-flow, 1.0])
        beyond = trial @ normal - strength
        stiff = elastic(self.rock.modulus, self.rock.poisson)
        back = stiff @ direction / (normal @ stiff @ direction)
        plastic = (beyond > 0.0) & (np.arange(len(trial)) >= lined)
        now[plastic] -= beyond[plastic, None] * back
        tangent[plastic] = stiff - np.outer(back, normal @ stiff)
        return now, tangent
