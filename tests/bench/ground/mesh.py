"""Axisymmetric four-node quads (r, z) in columns along the drive, the volumetric strain averaged over each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Weights of (rr, zz, tt, rz) for the deviatoric law s = c G e, the shear strain being the engineering one.
SHEAR_FACTOR = np.array([2.0, 2.0, 2.0, 1.0])
_GAUSS = 1.0 / np.sqrt(3.0)


@dataclass(frozen=True)
class Mesh:
    """Nodes, elements and the operators made of them; r runs fastest, so the stiffness is a narrow band.

    Attributes
    ----------
    radius : float
        Wall of the tunnel [m].
    r, z : array
        Grid lines [m]; the first ``core`` columns of elements in r are the tunnel's core.
    strain : sparse (4 * n_gauss, n_dof)
        Strains (rr, zz, tt, rz by blocks) at the Gauss points from the displacements.
    force : sparse (n_dof, 4 * n_gauss)
        Nodal forces per radian from stresses at the Gauss points.
    shear, bulk : array (n_entries, n_elements) as sparse
        Entries of the lower band of the stiffness for unit shear and bulk modulus of each element.
    free : bool array (n_dof,)
        False where the displacement is held at zero.
    """

    radius: float
    r: Floats
    z: Floats
    core: int
    strain: sp.csr_matrix
    force: sp.csr_matrix
    shear: sp.csr_matrix
    bulk: sp.csr_matrix
    entries: Ints
    bandwidth: int
    free: npt.NDArray[np.bool_]

    @property
    def n_r(self) -> int:
        """Elements across."""
        return len(self.r) - 1

    @property
    def n_z(self) -> int:
        """Elements along the drive."""
        return len(self.z) - 1

    @property
    def n_elements(self) -> int:
        """Elements in all; element (i across, j along) is number j * n_r + i."""
        return self.n_r * self.n_z

    @property
    def n_dof(self) -> int:
        """Displacements in all; node (i, j) has 2 * (j * (n_r + 1) + i) and the next."""
        return 2 * len(self.r) * len(self.z)

    @property
    def wall_dof(self) -> Ints:
        """Number of the radial displacement of each wall node, shape (n_z + 1,)."""
        return np.asarray(2 * (np.arange(len(self.z)) * len(self.r) + self.core), dtype=np.int64)


def radial_lines(
    radius: float, core: int = 3, first: float = 0.09, growth: float = 1.26, reach: float = 30.0
) -> Floats:
    """Grid lines from the axis to ``reach`` radii: the core, then elements growing from ``first`` radii at the wall."""
    inside = radius * (1.0 - np.linspace(1.0, 0.0, core + 1) ** 1.25)
    widths = [first]
    while 1.0 + sum(widths) < reach:
        widths.append(widths[-1] * growth)
    outside = 1.0 + np.cumsum(widths) * (reach - 1.0) / sum(widths)
    return np.concatenate([inside, radius * outside])


def axial_lines(faces: npt.ArrayLike, radius: float, divide: int = 1, ahead: float = 9.0) -> Floats:
    """Grid lines: ``divide`` columns a round from 0, then growing ones of ground never excavated."""
    ends = np.concatenate([[0.0], np.asarray(faces, dtype=float)])
    number = np.arange(divide * (len(ends) - 1) + 1) / divide
    lines = np.interp(number, np.arange(len(ends)), ends).tolist()
    step = lines[-1] - lines[-2]
    end = lines[-1] + ahead * radius
    while lines[-1] < end:
        step = min(step * 1.3, 2.0 * radius)
        lines.append(lines[-1] + step)
    return np.array(lines)


def build_mesh(radius: float, r: Floats, z: Floats, core: int) -> Mesh:
    """All operators of the grid; the axis, the outer cylinder (radially) and both ends (axially) are held."""
    n_r, n_z = len(r) - 1, len(z) - 1
    i, j = np.meshgrid(np.arange(n_r), np.arange(n_z))
    corner = (j * (n_r + 1) + i).ravel()
    nodes = np.stack([corner, corner + 1, corner + n_r + 2, corner + n_r + 1], axis=1)
    dofs = np.stack([2 * nodes, 2 * nodes + 1], axis=2).reshape(len(nodes), 8)
    dr, dz = np.diff(r)[i.ravel()], np.diff(z)[j.ravel()]
    rows, weights = _strain_rows(r[:-1][i.ravel()], dr, dz)
    n_gauss = 4 * len(nodes)
    component = np.arange(4)[None, None, :, None] * n_gauss
    point = (np.arange(len(nodes))[:, None] * 4 + np.arange(4))[:, :, None, None]
    row = np.broadcast_to(component + point, rows.shape)
    column = np.broadcast_to(dofs[:, None, None, :], rows.shape)
    strain = sp.csr_matrix(
        (rows.ravel(), (row.ravel(), column.ravel())), shape=(4 * n_gauss, 2 * (n_r + 1) * (n_z + 1))
    )
    strain.eliminate_zeros()
    force = sp.csr_matrix((strain.multiply(np.tile(weights.ravel(), 4)[:, None])).T)
    free = np.ones((n_z + 1, n_r + 1, 2), dtype=bool)
    free[:, 0, 0] = free[:, -1, 0] = False
    free[0, :, 1] = free[-1, :, 1] = False
    held = ~free.ravel()
    trace = rows[:, :, 0] + rows[:, :, 1] + rows[:, :, 2]
    deviator = rows.copy()
    deviator[:, :, :3] -= trace[:, :, None, :] / 3.0
    unit_shear = np.einsum("egca,c,egcb,eg->eab", deviator, SHEAR_FACTOR, deviator, weights, optimize=True)
    unit_bulk = np.einsum("ega,egb,eg->eab", trace, trace, weights, optimize=True)
    high, low = dofs[:, :, None], dofs[:, None, :]
    wanted = (high >= low) & ~held[high] & ~held[low]
    n_dof = held.size
    place = np.broadcast_to((high - low) * n_dof + low, wanted.shape)[wanted]
    element = np.broadcast_to(np.arange(len(nodes))[:, None, None], wanted.shape)[wanted]
    entries, number = np.unique(place, return_inverse=True)
    shape = (len(entries), len(nodes))
    return Mesh(
        radius, r, z, core, strain, force,
        sp.csr_matrix((unit_shear[wanted], (number, element)), shape=shape),
        sp.csr_matrix((unit_bulk[wanted], (number, element)), shape=shape),
        entries.astype(np.int64), int((entries // n_dof).max()), free.ravel(),
    )  # fmt: skip


def _strain_rows(r_left: Floats, dr: Floats, dz: Floats) -> tuple[Floats, Floats]:
    """Strain rows (element, gauss, component, dof), volumetric strain averaged; weights r dA (element, gauss)."""
    a = np.array([-1.0, 1.0, 1.0, -1.0])
    b = np.array([-1.0, -1.0, 1.0, 1.0])
    xi, eta = a * _GAUSS, b * _GAUSS
    shape = 0.25 * (1 + xi[:, None] * a) * (1 + eta[:, None] * b)
    along_r = 0.25 * a * (1 + eta[:, None] * b) * 2.0
    along_z = 0.25 * b * (1 + xi[:, None] * a) * 2.0
    radius = r_left[:, None] + 0.5 * dr[:, None] * (1 + xi)
    weights = radius * (dr * dz / 4.0)[:, None]
    rows = np.zeros((len(dr), 4, 4, 8))
    rows[:, :, 0, 0::2] = along_r / dr[:, None, None]
    rows[:, :, 1, 1::2] = along_z / dz[:, None, None]
    rows[:, :, 2, 0::2] = shape / radius[:, :, None]
    rows[:, :, 3, 0::2] = along_z / dz[:, None, None]
    rows[:, :, 3, 1::2] = along_r / dr[:, None, None]
    trace = rows[:, :, :3].sum(axis=2)
    mean = (trace * weights[:, :, None]).sum(axis=1) / weights.sum(axis=1)[:, None]
    rows[:, :, :3] += ((mean[:, None, :] - trace) / 3.0)[:, :, None, :]
    return rows, weights
