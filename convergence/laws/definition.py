"""What a law is: a function, the meaning of its parameters, its source, and all that follows from those."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from itertools import product
from typing import Literal

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.laws.arrays import FloatArray, floats, positive_values
from convergence.laws.hereditary import hereditary_rate
from convergence.laws.path import FacePath

Kind = Literal["amplitude", "length", "time", "ratio", "exponent", "share"]
Family = Literal["face", "time", "coupled", "hereditary"]
Standing = Literal["published", "secondary source", "from memory", "derived here", "common practice, no source"]

_FORWARD = np.array([-25.0, 48.0, -36.0, 16.0, -3.0]) / 12.0


@dataclass(frozen=True)
class Parameter:
    """One parameter of a law.

    Attributes
    ----------
    name : str
        Name in signatures and results.
    symbol : str
        Symbol in the equation.
    unit : str
        Unit, "-" if it has none.
    sentence : str
        What it means.
    kind : str
        "amplitude", "length", "time", "ratio", "exponent" or "share"; bounds and starts follow from it.
    """

    name: str
    symbol: str
    unit: str
    sentence: str
    kind: Kind


@dataclass(frozen=True)
class Source:
    """Where a formula comes from, and how far that is confirmed.

    Attributes
    ----------
    text : str
        Author, year, title and place, or how it was derived.
    standing : str
        "published", "secondary source", "from memory", "derived here" or "common practice, no source".
    """

    text: str
    standing: Standing


@dataclass(frozen=True)
class Law:
    """A law of movement, evaluated in the same way whatever it depends on.

    Attributes
    ----------
    name : str
        Name in the registry.
    family : str
        "face" takes the face distance, "time" the days since passage, "coupled" both, "hereditary" the whole
        path.
    function : callable
        The formula. Its parameters follow its variables in the order of `parameters`, the amplitude first and
        linear; a hereditary formula has the signature of `convergence.laws.hereditary.hereditary`.
    parameters : tuple of Parameter
        Parameters, amplitude first.
    equation : str
        The equation in symbols.
    validity : str
        Where the law may be used.
    source : Source
        Where it comes from.
    fixed : mapping of str to float
        Parameters held unless a value is given, with the value.
    retardation_times : tuple of float
        Retardation times [days] of a hereditary law, one for each creep ratio; empty for the others.
    """

    name: str
    family: Family
    function: Callable[..., FloatArray] = field(repr=False)
    parameters: tuple[Parameter, ...] = field(repr=False)
    equation: str
    validity: str = field(repr=False)
    source: Source
    fixed: Mapping[str, float] = field(hash=False)
    retardation_times: tuple[float, ...] = ()

    @property
    def amplitude(self) -> str:
        """Name of the linear parameter."""
        return self.parameters[0].name

    @property
    def free(self) -> tuple[str, ...]:
        """Names of the parameters that are not held by default, in order."""
        return tuple(each.name for each in self.parameters if each.name not in self.fixed)

    def evaluate(self, path: FacePath, time: npt.ArrayLike, values: Mapping[str, float]) -> FloatArray:
        """Movement of the section.

        Parameters
        ----------
        path : FacePath
            Movement of the face; if it never reaches the section, laws of time and coupled laws give zero.
        time : array_like
            Times [days], any order and shape.
        values : mapping of str to float
            Value of each parameter; those in `fixed` may be left out.

        Returns
        -------
        ndarray, shape of `time`
            Movement [mm]; since passage, but since undisturbed ground for hereditary laws.

        Raises
        ------
        ValueFault
            If a parameter is missing, unknown, not finite, or not positive where its kind asks for it.
        """
        times = floats(time)
        chosen = self.complete(values)
        if self.family == "hereditary":
            return self._through(path, times, chosen, self.function)
        return np.asarray(self.function(*self._variables(path, times), *chosen.values()))

    def shape(self, path: FacePath, time: npt.ArrayLike, values: Mapping[str, float]) -> FloatArray:
        """Movement with amplitude 1; `values` may leave the amplitude out. Otherwise as `evaluate`."""
        return self.evaluate(path, time, {**values, self.amplitude: 1.0})

    def rate(self, path: FacePath, time: npt.ArrayLike, values: Mapping[str, float]) -> FloatArray:
        """Rate of movement just after each time, with the speed the face has then.

        Exact for hereditary laws; for the others by five-point forward differences along the straight line on
        which the face moves, good to about nine digits of the fastest rate of the law.

        Parameters
        ----------
        path : FacePath
            Movement of the face.
        time : array_like
            Times [days], any order and shape.
        values : mapping of str to float
            Value of each parameter; those in `fixed` may be left out.

        Returns
        -------
        ndarray, shape of `time`
            Rate [mm/day].

        Raises
        ------
        ValueFault
            As in `evaluate`.
        """
        times = floats(time)
        chosen = self.complete(values)
        if self.family == "hereditary":
            return self._through(path, times, chosen, hereditary_rate)
        distance, speed, elapsed = path.at(times), path.speed(times), self._elapsed(path, times)
        # The step follows the quickest of the scales on which the law bends at this time.
        scales = [np.full(times.shape, np.inf)]
        for each in self.parameters:
            constant = chosen[each.name]
            if each.kind == "time":
                scales.append(np.minimum(constant, 0.05 * constant + np.maximum(elapsed, 0.0)))
            elif each.kind == "length":
                scales.append(constant / np.where(speed > 0.0, speed, 1.0))
        step = 1e-3 * np.min(scales, axis=0)
        rate = np.zeros(times.shape)
        for place, weight in enumerate(_FORWARD):
            variables = {"distance": distance + place * step * speed, "elapsed": elapsed + place * step}
            rate = rate + weight * self.function(*self._pick(**variables), *chosen.values())
        return np.where((distance < 0.0) | (elapsed < 0.0), 0.0, rate / step)

    def asymptote(self, values: Mapping[str, float]) -> float:
        """Movement with the face far off after endless time [mm]; infinite if the law never levels off."""
        chosen = self.complete(values)
        amplitude = chosen[self.amplitude]
        if amplitude == 0.0:
            return 0.0
        if self.family == "hereditary":
            return amplitude * (1.0 + sum(chosen[each.name] for each in self.parameters if each.kind == "ratio"))
        far = np.asarray(np.inf)
        return float(self.function(*self._pick(distance=far, elapsed=far), *chosen.values()))

    def remaining(self, path: FacePath, time: npt.ArrayLike, values: Mapping[str, float]) -> FloatArray:
        """Movement still to come after each time until the asymptote [mm]; arguments as in `evaluate`."""
        return np.asarray(self.asymptote(values) - self.evaluate(path, time, values))

    def bounds(self, parameter: str, width_m: float, span_days: float) -> tuple[float, float]:
        """Range in which a fit may look for a parameter; follows from its kind.

        Parameters
        ----------
        parameter : str
            Name of the parameter.
        width_m : float
            Width of the tunnel [m], > 0.
        span_days : float
            Length of the readings [days], > 0.

        Returns
        -------
        tuple of float
            Lowest and highest value: lengths 0.05 to 10 widths; times 0.02 days to 20 spans; ratios 0 to 20;
            exponents 0.05 to 3; shares 0 to 0.6; amplitudes unbounded. Common practice, no source.

        Raises
        ------
        ValueFault
            If the parameter is unknown, or the width or span is not positive.
        """
        kinds = {each.name: each.kind for each in self.parameters}
        if parameter not in kinds:
            raise ValueFault(
                f"law {self.name}: parameter {parameter!r} is unknown; expected one of {', '.join(kinds)}. "
                "To mend: correct the name."
            )
        width = float(positive_values("width_m [m]", width_m)[0])
        span = float(positive_values("span_days [days]", span_days)[0])
        ranges: dict[Kind, tuple[float, float]] = {
            "amplitude": (-math.inf, math.inf),
            "length": (0.05 * width, 10.0 * width),
            # Very short spans must still leave a range.
            "time": (0.02, max(20.0 * span, 0.4)),
            "ratio": (0.0, 20.0),
            "exponent": (0.05, 3.0),
            "share": (0.0, 0.6),
        }
        return ranges[kinds[parameter]]

    def starts(self, width_m: float, span_days: float) -> list[dict[str, float]]:
        """Starting shapes for a fit: a coarse logarithmic grid over lengths and times.

        Parameters
        ----------
        width_m : float
            Width of the tunnel [m], > 0.
        span_days : float
            Length of the readings [days], > 0.

        Returns
        -------
        list of dict
            At most nine sets of values of every parameter but the amplitude, each within its bounds: lengths
            0.25, 0.75 and 2 widths, times 0.03, 0.2 and 1 span, creep of 0.6 in all, exponents 0.5 and shares
            0.27, unless held.

        Raises
        ------
        ValueFault
            If the width or span is not positive.
        """
        ratios = sum(each.kind == "ratio" for each in self.parameters)
        grids: dict[Kind, tuple[float, ...]] = {
            "length": (0.25 * width_m, 0.75 * width_m, 2.0 * width_m),
            "time": (0.03 * span_days, 0.2 * span_days, span_days),
            "ratio": (0.6 / max(ratios, 1),),
            "exponent": (0.5,),
            "share": (0.27,),
        }
        choices: dict[str, tuple[float, ...]] = {}
        for each in self.parameters[1:]:
            low, high = self.bounds(each.name, width_m, span_days)
            grid = (self.fixed[each.name],) if each.name in self.fixed else grids[each.kind]
            choices[each.name] = tuple(min(max(value, low), high) for value in grid)
        return [dict(zip(choices, row, strict=True)) for row in product(*choices.values())]

    def complete(self, values: Mapping[str, float]) -> dict[str, float]:
        """Values of all parameters in order, held ones filled in.

        Raises
        ------
        ValueFault
            If a parameter is missing, unknown, not finite, or not positive where its kind asks for it.
        """
        names = [each.name for each in self.parameters]
        unknown = [name for name in values if name not in names]
        missing = [name for name in names if name not in values and name not in self.fixed]
        if unknown or missing:
            faults = [f"{name!r} is unknown" for name in unknown] + [f"{name!r} is missing" for name in missing]
            raise ValueFault(
                f"law {self.name}: {', '.join(faults)}; expected values for {', '.join(names)}. "
                "To mend: give each parameter by that name."
            )
        chosen: dict[str, float] = {}
        for each in self.parameters:
            value = float(values[each.name] if each.name in values else self.fixed[each.name])
            positive = each.kind in ("length", "time", "exponent")
            if not math.isfinite(value) or (positive and value <= 0.0):
                raise ValueFault(
                    f"law {self.name}: {each.name} [{each.unit}] is {value}; expected a "
                    f"{'positive' if positive else 'finite'} number. "
                    "To mend: correct the value, or bound the fit."
                )
            chosen[each.name] = value
        return chosen

    def _elapsed(self, path: FacePath, times: FloatArray) -> FloatArray:
        """Days since passage; before passage, for a face that has not come yet."""
        elapsed = path.elapsed(times)
        return np.where(np.isnan(elapsed), -np.inf, elapsed)

    def _variables(self, path: FacePath, times: FloatArray) -> tuple[FloatArray, ...]:
        """What the function of this family takes before its parameters."""
        return self._pick(distance=path.at(times), elapsed=self._elapsed(path, times))

    def _pick(self, distance: FloatArray, elapsed: FloatArray) -> tuple[FloatArray, ...]:
        """The variables this family depends on."""
        if self.family == "face":
            return (distance,)
        return (elapsed,) if self.family == "time" else (distance, elapsed)

    def _through(
        self,
        path: FacePath,
        times: FloatArray,
        chosen: Mapping[str, float],
        function: Callable[..., FloatArray],
    ) -> FloatArray:
        """Call a hereditary function with sorted times and put its result back in the order asked for."""
        order = np.argsort(times, axis=None, kind="stable")
        result = np.empty(times.size)
        result[order] = function(
            path,
            times.ravel()[order],
            chosen[self.amplitude],
            chosen["influence_length"],
            [chosen[each.name] for each in self.parameters if each.kind == "ratio"],
            chosen["face_share"],
            self.retardation_times,
        )
        return result.reshape(times.shape)
