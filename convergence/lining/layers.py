"""Support as it is built: layers of ageing sprayed concrete at known times, and springs for girders and bolts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.laws.arrays import FloatArray, floats
from convergence.lining.ageing import (
    en1992_modulus_share,
    en1992_strength_share,
    exponential_share,
    hourly_strength_share,
    hyperbolic_modulus_share,
    tabulated_share,
)
from convergence.lining.creep import RateOfFlow
from convergence.lining.support import sprayed_ring_capacity, sprayed_ring_stiffness


@dataclass(frozen=True)
class AgeCurve:
    """Stiffness and strength with age, each a function of age [days] that gives the share of the value at 28 days.

    Attributes
    ----------
    modulus, strength : callable
        Share [-] of an array of ages; 0 at age 0 and below.
    standing : str
        Where the curve is from and how far that was confirmed.
    """

    modulus: Callable[[npt.ArrayLike], FloatArray]
    strength: Callable[[npt.ArrayLike], FloatArray]
    standing: str


def full_share(age: npt.ArrayLike) -> FloatArray:
    """Share of a support that does not age: all of it from the first instant on.

    1 for t >= 0

    Parameters
    ----------
    age : array_like
        Age t [days].

    Returns
    -------
    ndarray
        0 before age 0, else 1.

    Examples
    --------
    Age 0: 1.

    References
    ----------
    .. [1] Definition.
    """
    return np.where(floats(age) >= 0.0, 1.0, 0.0)


def _code(cement_coefficient: float, exponent: float) -> tuple[partial[FloatArray], partial[FloatArray]]:
    return (
        partial(en1992_modulus_share, cement_coefficient=cement_coefficient, exponent=exponent),
        partial(en1992_strength_share, cement_coefficient=cement_coefficient),
    )


_EUROPEAN = "EN 1992-1-1: strength published, modulus from memory; too stiff before about a day"
_MODEL = "fib Model Code 2010, exponent 1/2, from memory; strength EN 1992-1-1, published"
_CONSTANTS = "constants from memory, not confirmed"

AGE_CURVES: MappingProxyType[str, AgeCurve] = MappingProxyType(
    {
        "constant": AgeCurve(full_share, full_share, "no ageing"),
        "en 1992 rapid": AgeCurve(*_code(0.20, 0.3), _EUROPEAN),
        "en 1992 normal": AgeCurve(*_code(0.25, 0.3), _EUROPEAN),
        "en 1992 slow": AgeCurve(*_code(0.38, 0.3), _EUROPEAN),
        "model code rapid": AgeCurve(*_code(0.20, 0.5), _MODEL),
        "chang stille": AgeCurve(
            partial(exponential_share, final=1.062, delay=0.446, exponent=0.60),
            partial(exponential_share, final=1.105, delay=0.743, exponent=0.70),
            f"Chang and Stille 1993, {_CONSTANTS}",
        ),
        "weber aldrian": AgeCurve(
            partial(exponential_share, final=1.084, delay=0.596, exponent=0.60),
            hourly_strength_share,
            f"modulus Weber 1979, strength Aldrian 1991, {_CONSTANTS}",
        ),
        "hyperbolic": AgeCurve(
            hyperbolic_modulus_share, hourly_strength_share, f"American form, strength Aldrian 1991, {_CONSTANTS}"
        ),
        "measured 2017": AgeCurve(
            partial(tabulated_share, ages=(1.0, 28.0), shares=(0.6641, 1.0)),
            partial(tabulated_share, ages=(1.0, 28.0), shares=(0.5190, 1.0)),
            "tests at 1 and 28 days, Neuner and others 2017, published; between and before them an interpolation",
        ),
    }
)
"""Curves by name. Tests on the site's own mix, as a table, stand above all of them."""


def age_curve(name: str) -> AgeCurve:
    """The curve of a name.

    Parameters
    ----------
    name : str
        One of `AGE_CURVES`.

    Returns
    -------
    AgeCurve
        The curve.

    Raises
    ------
    ValueFault
        If there is none of that name.
    """
    if not isinstance(name, str) or name not in AGE_CURVES:
        raise ValueFault(f"age curve: {name!r}; expected one of {', '.join(AGE_CURVES)}. To mend: give such a name.")
    return AGE_CURVES[name]


@dataclass(frozen=True)
class SprayedLayer:
    """One layer of sprayed concrete. Numbers may be arrays, a value for each sample.

    Attributes
    ----------
    thickness : array_like
        Thickness [m], >= 0.
    sprayed : array_like
        When it was sprayed [days], on the time origin of the face path.
    modulus : array_like
        Young's modulus at 28 days [MPa].
    curve : AgeCurve
        Stiffness and strength with age.
    poisson_ratio : array_like
        Poisson's ratio [-].
    strength : array_like
        Compressive strength at 28 days [MPa]; infinite (as given) lets the layer never yield.
    creep_coefficient : array_like
        Creep over elastic strain that reduces the modulus from the start [-]; 0 for none.
    creep : RateOfFlow, optional
        Rate of flow; stands in place of the reduction, or beside it.
    """

    thickness: npt.ArrayLike
    sprayed: npt.ArrayLike
    modulus: npt.ArrayLike
    curve: AgeCurve
    poisson_ratio: npt.ArrayLike = 0.2
    strength: npt.ArrayLike = np.inf
    creep_coefficient: npt.ArrayLike = 0.0
    creep: RateOfFlow | None = None


@dataclass(frozen=True)
class SpringSupport:
    """Support that does not age: girders, steel sets, bolts. Numbers may be arrays, a value for each sample.

    Attributes
    ----------
    stiffness : array_like
        Stiffness [MPa/m].
    installed : array_like
        When it begins to act [days].
    capacity : array_like
        Pressure at which it yields [MPa]; it holds that pressure from then on.
    """

    stiffness: npt.ArrayLike
    installed: npt.ArrayLike
    capacity: npt.ArrayLike = np.inf


@dataclass(frozen=True)
class Lining:
    """All support of a section.

    Attributes
    ----------
    layers : tuple of SprayedLayer
        From the ground inwards.
    springs : tuple of SpringSupport
        Girders, sets, bolts.
    closed : array_like
        When the ring of sprayed concrete is closed [days]; before all time unless given.
    open_share : array_like
        Stiffness of the open ring over that of the closed one [-], 0 to 1; an assumption of the designer, for it
        hangs on the feet of the lining.
    """

    layers: tuple[SprayedLayer, ...]
    springs: tuple[SpringSupport, ...] = ()
    closed: npt.ArrayLike = -np.inf
    open_share: npt.ArrayLike = 1.0

    def __post_init__(self) -> None:
        before = floats(-np.inf)
        for place, layer in enumerate(self.layers):
            sprayed = floats(layer.sprayed)
            if np.isnan(sprayed).any():
                raise ValueFault(
                    f"lining: layer {place + 1} is sprayed at no time (NaN); expected a day, infinite for never. To "
                    "mend: give the day."
                )
            if np.any(sprayed < before):
                raise ValueFault(
                    f"lining: layer {place + 1} is sprayed {_most(before - sprayed):.3g} days before the one outside "
                    "it; expected layers from the ground inwards, each after the one before. To mend: sort them."
                )
            before = np.asarray(np.maximum(before, sprayed))

    @property
    def installed(self) -> tuple[npt.ArrayLike, ...]:
        """When each member begins to act [days], layers first."""
        return (*(layer.sprayed for layer in self.layers), *(spring.installed for spring in self.springs))


def _most(values: FloatArray) -> float:
    """The largest of them; endless where one is against another that never comes."""
    return float(np.max(values))


def layer_stiffness(layers: tuple[SprayedLayer, ...], radius: npt.ArrayLike) -> tuple[FloatArray, ...]:
    """Stiffness that each layer adds for a modulus of 1 MPa: its part of the exact thick ring.

    k_j = K(t_1 + ... + t_j) - K(t_1 + ... + t_(j-1)), K of `sprayed_ring_stiffness` with E = 1

    The sum over layers of one modulus is the exact ring of all of them; for layers of different age it is exact to the
    first order of thickness over radius.

    Parameters
    ----------
    layers : tuple of SprayedLayer
        From the ground inwards.
    radius : array_like
        Outer radius, on the ground side [m].

    Returns
    -------
    tuple of ndarray
        Stiffness over modulus [1/m], one for each layer.

    Examples
    --------
    Two layers of 0.15 m, nu = 0.2, R = 5 m: 0.0063924 and 0.0066839, together 326.90752 / 25,000 = 0.0130763.

    References
    ----------
    .. [1] Derived here.
    """
    outside, parts = floats(0.0), []
    for layer in layers:
        inside = outside + floats(layer.thickness)
        outer = sprayed_ring_stiffness(1.0, layer.poisson_ratio, radius, outside)
        parts.append(np.asarray(sprayed_ring_stiffness(1.0, layer.poisson_ratio, radius, inside) - outer))
        outside = inside
    return tuple(parts)


def layer_capacity(layers: tuple[SprayedLayer, ...], radius: npt.ArrayLike) -> tuple[FloatArray, ...]:
    """Pressure that each layer can carry for a strength of 1 MPa: its part of the ring's capacity.

    c_j = P(t_1 + ... + t_j) - P(t_1 + ... + t_(j-1)), P of `sprayed_ring_capacity` with f = 1

    Parameters
    ----------
    layers : tuple of SprayedLayer
        From the ground inwards.
    radius : array_like
        Outer radius, on the ground side [m].

    Returns
    -------
    tuple of ndarray
        Capacity over strength [-], one for each layer.

    Examples
    --------
    Two layers of 0.15 m, R = 5 m: 0.02955 and 0.02865, together 1.455 / 25 = 0.0582.

    References
    ----------
    .. [1] Derived here.
    """
    outside, parts = floats(0.0), []
    for layer in layers:
        inside = outside + floats(layer.thickness)
        outer = sprayed_ring_capacity(1.0, radius, outside)
        parts.append(np.asarray(sprayed_ring_capacity(1.0, radius, inside) - outer))
        outside = inside
    return tuple(parts)
