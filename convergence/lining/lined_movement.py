"""Movement of a lined circular tunnel in elastic ground under unequal stress: what prisms on the lining show.

The same problem as `ring_forces`, solved another way: ground with a hole (plane strain) and an elastic ring in each of
the two shapes, equal all round and oval, put together. Its thrust and moment agree with the published forms; it gives
the movement too.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from convergence.laws.arrays import FloatArray, floats
from convergence.lining.elastic import MILLIMETRES_A_METRE, kirsch_movement, shear_modulus
from convergence.lining.ranges import within


def lined_movement(
    angle: npt.ArrayLike,
    stress: npt.ArrayLike,
    stress_ratio: npt.ArrayLike,
    radius: npt.ArrayLike,
    ground_modulus: npt.ArrayLike,
    ground_poisson_ratio: npt.ArrayLike,
    lining_modulus: npt.ArrayLike,
    lining_poisson_ratio: npt.ArrayLike,
    thickness: npt.ArrayLike,
    released_share: npt.ArrayLike = 0.0,
    slip: bool = False,
) -> tuple[FloatArray, FloatArray]:
    """Final movement of the wall with a lining put in after a share of the stress is released.

    w = L w_free + (1 - L) w_lined, with w_free of `kirsch_movement` and w_lined from the balance of ground and ring:

    equal part: w0 = w0_free / (1 + k0 g), k0 = (D + B/R^2)/R^2, g = R/2G

    oval part U cos 2t outward, V sin 2t: U = U_free + g (a P - b S), V = V_free + g (-b P + a S) with a = (5 - 6 nu)/3,
    b = (4 - 6 nu)/3, ground pressure -P = [D (2 V + U) + 9 B U / R^2] / R^2 and shear -S = 2 D (2 V + U) / R^2

    D = Es t / (1 - nus^2), B = Es t^3 / [12 (1 - nus^2)]. With slip S = 0 and the ring has 2 V + U = 0.

    Parameters
    ----------
    angle : array_like
        Angle t from the horizontal [rad]; the crown is at pi/2.
    stress : array_like
        Vertical stress of the undisturbed ground [MPa].
    stress_ratio : array_like
        Horizontal over vertical stress [-], >= 0.
    radius : array_like
        Tunnel radius R [m], > 0.
    ground_modulus, ground_poisson_ratio : array_like
        Young's modulus [MPa], > 0, and nu [-], 0 to 0.5, of the ground.
    lining_modulus, lining_poisson_ratio : array_like
        Es [MPa], >= 0, and nus [-], 0 to below 0.5, of the lining, with ageing and creep in Es.
    thickness : array_like
        Thickness t of the lining [m], >= 0.
    released_share : array_like
        Share L of the stress released before the lining acts [-], 0 to 1.
    slip : bool
        Whether the lining slips freely along the ground.

    Returns
    -------
    tuple of ndarray
        Radial movement [mm], + inward, and tangential movement [mm], + towards growing angle, since the ground was
        undisturbed, in the broadcast shape of the arguments; of the lining where it slips. What comes before the
        lining is L times `kirsch_movement`.

    Examples
    --------
    P = 1 MPa, K = 0.5, R = 5 m, E = 300 MPa, nu = 0.3, Es = 25,000 MPa, nus = 0.2, t = 0.25 m, bonded: 10.5961 mm
    inward at the crown, against 26.0 mm without lining (computed here).

    References
    ----------
    .. [1] Derived here; the tests find thrust and moment of H. H. Einstein and C. W. Schwartz, 1979, from it.
    """
    size, poisson = floats(radius), floats(ground_poisson_ratio)
    direction, part = floats(angle), within("share released", released_share, 0.0, 1.0)
    give = size / (2.0 * shear_modulus(ground_modulus, poisson))
    concrete = within("Poisson's ratio of the lining", lining_poisson_ratio, 0.0, 0.5, below=True)
    ring = within("modulus of the lining", lining_modulus, 0.0, unit="MPa") / (1.0 - concrete**2)
    thick = within("thickness of the lining", thickness, 0.0, unit="m")
    around, bend = ring * thick, ring * thick**3 / 12.0
    ratio, load = floats(stress_ratio), floats(stress)
    equal = 0.5 * load * (1.0 + ratio) * give / (1.0 + (around + bend / size**2) / size**2 * give)
    loose = 0.5 * load * (1.0 - ratio) * give * (3.0 - 4.0 * poisson)
    normal, cross = (5.0 - 6.0 * poisson) / 3.0 * give, (4.0 - 6.0 * poisson) / 3.0 * give
    hoop, stiff = around / size**2, 9.0 * bend / size**4
    if slip:
        outward = loose / (1.0 + normal * stiff)
        along = -0.5 * outward
    else:
        first = 1.0 + normal * (hoop + stiff) - 2.0 * cross * hoop
        second = 2.0 * hoop * (normal - 2.0 * cross)
        third = 2.0 * normal * hoop - cross * (hoop + stiff)
        fourth = 1.0 + 2.0 * hoop * (2.0 * normal - cross)
        size_of = first * fourth - second * third
        outward = loose * (fourth + second) / size_of
        along = -loose * (first + third) / size_of
    free = kirsch_movement(direction, size, load, ratio, size, ground_modulus, poisson)
    lined = MILLIMETRES_A_METRE * (equal - outward * np.cos(2.0 * direction))
    lined_along = MILLIMETRES_A_METRE * along * np.sin(2.0 * direction)
    return np.asarray(part * free[0] + (1.0 - part) * lined), np.asarray(part * free[1] + (1.0 - part) * lined_along)
