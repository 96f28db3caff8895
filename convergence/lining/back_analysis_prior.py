"""What the design assumes, as prior distributions that are said out loud: one standard normal number a parameter.

A range ``[low, high]`` of ``[ground]`` or ``[lining]`` is read as the middle 90 % of what the designer holds possible,
its value as the median; a number without a range is taken as known and is not looked for. Nothing is cut off at the
ends of a range: readings that ask for more must be able to say so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Literal

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.job.design_assumptions import Assumption, GroundAssumptions, LiningAssumptions
from convergence.laws.arrays import FloatArray, floats
from convergence.lining.ranges import not_beyond

RANGE_AT = 1.6448536269514722
"""Standard normal number at the ends of a range: 5 % and 95 %."""
MODEL_ERROR = Assumption(0.10, 0.03, 0.35)
"""Error of the plane model at one prism over the rms movement of its section; common practice, no source."""
UNITS = {
    "vertical_stress": "MPa", "modulus": "MPa", "cohesion": "MPa", "intact_strength": "MPa", "friction_angle": "rad",
    "dilation_angle": "rad", "strength": "MPa", "radius": "m", "closure_distance": "m", "thickness": "m",
    "steel_yield": "MPa",
}  # fmt: skip
#: Assumptions that may be 0 or below: their range is one of the number itself, floored at 0.
FROM_ZERO = ("creep_coefficient", "dilation_angle", "disturbance", "poisson_ratio")
#: Shares between 0 and 1.
SHARES = ("release_at_support", "open_share")
#: Numbers that give forms and places, not mechanics that movements can tell.
LEFT_OUT = ("radius", "girder_area", "girder_spacing", "mesh_area", "cover", "steel_yield", "strength", "poisson_ratio")


@dataclass(frozen=True)
class Prior:
    """One parameter and what is held of it before any reading.

    Attributes
    ----------
    name : str
        As tables show it, e.g. "ground modulus".
    table : {"ground", "lining", "model"}
        Where it belongs.
    attribute : str
        Its name in the assumptions.
    assumption : Assumption
        Median and middle 90 %.
    scale : {"log", "share", "floor"}
        On which scale it is normal: its logarithm, its log odds, or itself, floored at 0.
    source : str
        Where the numbers are from.
    """

    name: str
    table: Literal["ground", "lining", "model"]
    attribute: str
    assumption: Assumption
    scale: Literal["log", "share", "floor"]
    source: str

    def __post_init__(self) -> None:
        given = self.assumption
        inside = {"log": given.low > 0.0, "share": given.low > 0.0 and given.high < 1.0, "floor": given.low >= 0.0}
        if not inside[self.scale] or not given.low <= given.value <= given.high or not given.low < given.high:
            raise ValueFault(
                f"prior of {self.name}: {given.low:g} to {given.high:g} about {given.value:g}; expected a rising range "
                f"{'between 0 and 1' if self.scale == 'share' else 'above 0'} with the value in it. To mend: correct "
                "the range, or give one number for what is known."
            )

    @property
    def unit(self) -> str:
        """Unit; "1" for a ratio."""
        return UNITS.get(self.attribute, "1")

    def value(self, normal: npt.ArrayLike) -> FloatArray:
        """The parameter for standard normal numbers.

        x = g^-1{g(m) + z s}, with s = [g(high) - g(m)]/1.645 for z > 0 and [g(m) - g(low)]/1.645 for z < 0

        Parameters
        ----------
        normal : array_like
            z [-].

        Returns
        -------
        ndarray
            The parameter, in the shape of z: its value at 0, the ends of the range at -1.645 and 1.645.
        """
        at = floats(normal)
        middle, low, high = (self._onto(number) for number in self._three)
        moved = middle + at * np.where(at > 0.0, high - middle, middle - low) / RANGE_AT
        if self.scale == "log":
            return np.asarray(np.exp(moved))
        if self.scale == "share":
            return np.asarray(1.0 / (1.0 + np.exp(-moved)))
        return np.asarray(np.maximum(moved, 0.0))

    @property
    def _three(self) -> tuple[float, float, float]:
        given = self.assumption
        # a value at an end of its range would leave one side without width
        edge = 1e-3 * (given.high - given.low)
        return float(np.clip(given.value, given.low + edge, given.high - edge)), given.low, given.high

    def _onto(self, number: float) -> float:
        if self.scale == "log":
            return float(np.log(number))
        return float(np.log(number / (1.0 - number))) if self.scale == "share" else number


def design_priors(
    ground: GroundAssumptions, lining: LiningAssumptions | None, release: Assumption | None = None
) -> tuple[Prior, ...]:
    """Priors of everything that the design gives a range for, of the release at the support and of the model's error.

    Movements cannot tell strength, steel and places (`LEFT_OUT`), nor when layers came: these stand at their value
    here, and `lining_demand` draws them from their ranges.

    Parameters
    ----------
    ground : GroundAssumptions
        Table ``[ground]``.
    lining : LiningAssumptions or None
        Table ``[lining]``.
    release : Assumption, optional
        Share released at the first layer, where the design gives none: the spread of the published profiles.

    Returns
    -------
    tuple of Prior
        Ground first, then lining, the model's error last.

    Raises
    ------
    ValueFault
        If neither the stress nor the modulus of the ground has a range, so that there is nothing to be learned.
    """
    dilates, holds = ground.dilation_angle, ground.friction_angle
    if dilates is not None and holds is not None:
        not_beyond("dilation angle, high end", dilates.high, "friction angle, its low end", holds.low, "rad")
    # a lining without layers is none, and nothing of it can be learned
    built = lining is not None and bool(lining.layers)
    found = [*_ranged(ground, "ground"), *(_ranged(lining, "lining") if built and lining is not None else [])]
    if not built:
        found = [item for item in found if item.attribute != "release_at_support"]
    given = ground.release_at_support
    if built and given is None and release is not None and release.is_range:
        source = "spread of the published profiles at the first layer"
        found.append(Prior("release at support", "ground", "release_at_support", release, "share", source))
    names = {item.name for item in found}
    if not names & {"ground modulus", "ground vertical stress"}:
        raise ValueFault(
            "back-analysis: neither the modulus nor the vertical stress of [ground] has a range, so nothing can be "
            "learned. To mend: give modulus_mpa = [low, high], as wide as it is honestly not known."
        )
    found.append(Prior("model error", "model", "model_error", MODEL_ERROR, "log", "common practice, no source"))
    return tuple(found)


def sampled(given: Assumption, normal: npt.ArrayLike) -> FloatArray:
    """An assumption for standard normal numbers, on its own scale and floored at 0.

    x = m + z s, with s = (high - m)/1.645 for z > 0 and (m - low)/1.645 for z < 0

    Parameters
    ----------
    given : Assumption
        Value m and middle 90 %.
    normal : array_like
        z [-].

    Returns
    -------
    ndarray
        The number, in the shape of z.
    """
    at = floats(normal)
    side = np.where(at > 0.0, given.high - given.value, given.value - given.low) / RANGE_AT
    return np.asarray(np.maximum(given.value + at * side, 0.0))


def values_at(
    priors: tuple[Prior, ...], normal: FloatArray
) -> tuple[Mapping[str, FloatArray], Mapping[str, FloatArray], FloatArray]:
    """Numbers for ground and lining, and the model's error, for standard normal numbers of shape (samples, priors)."""
    tables: dict[str, dict[str, FloatArray]] = {"ground": {}, "lining": {}, "model": {}}
    for place, prior in enumerate(priors):
        tables[prior.table][prior.attribute] = prior.value(normal[:, place])
    error = tables["model"].get("model_error", np.full(len(normal), MODEL_ERROR.value))
    return tables["ground"], tables["lining"], error


def _ranged(table: GroundAssumptions | LiningAssumptions, name: Literal["ground", "lining"]) -> list[Prior]:
    """Priors of the numbers with a range in one table."""
    found = []
    given = {item.name: getattr(table, item.name) for item in fields(table)}
    if isinstance(table, LiningAssumptions):
        given["thickness"] = table.thickness
    for attribute, assumption in given.items():
        if not isinstance(assumption, Assumption) or not assumption.is_range or attribute in LEFT_OUT:
            continue
        scale: Literal["log", "share", "floor"] = "log"
        if attribute in SHARES:
            scale = "share"
        elif attribute in FROM_ZERO:
            scale = "floor"
        words = attribute.replace("_", " ")
        label = words if attribute == "release_at_support" else f"{name} {words}"
        found.append(Prior(label, name, attribute, assumption, scale, f"range of [{name}]"))
    return found
