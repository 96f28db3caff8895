"""What can be said of a fit: solved, or in which way not, with the reason in numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from convergence.fitting.precision import Precision

SPARE_READINGS = 2
"""Readings wanted beyond the number of free parameters; with fewer the noise cannot be told from the fit."""

LARGEST_CONDITION = 1e5
"""Largest condition number of the column-scaled Jacobian.

Beyond it, a joint change of parameters each of which alone would move the readings by 100 mm moves them by
less than 100 mm / 1e5 = 0.001 mm: below the resolution of any reading, whatever its noise."""

LARGEST_CORRELATION = 0.9999
"""Largest absolute correlation of two parameters.

At 0.9999 the standard error of either is 1/sqrt(1 - 0.9999^2) = 71 times what it would be if the other were
known; only their combination has been found."""

LARGEST_AMPLITUDE_ERROR = 1.0
"""Largest standard error of an amplitude relative to the amplitude; above it even the sign is open.

It is judged with the parameters that rest on a bound let go as well: which creep terms happen to rest at zero
is a matter of noise, and an amplitude that is only certain because of it has not been separated from the
creep."""

LARGEST_SHAPE_ERROR, SHAPE_CORRELATION = 1.0, 0.98
"""A length, time or ratio with a standard error above itself is entangled if its correlation with another parameter is
above 0.98: alone it would be known five times better (1/sqrt(1 - 0.98^2)), so it is the pair that the readings do not
tell apart. A creep ratio and its characteristic time do this where advance was steady, and the asymptote then hangs on
a combination nobody has measured."""


class FitStatus(StrEnum):
    """Outcome of a fit; its value is the wording used in tables and files."""

    SOLVED = "solved"
    AT_BOUND = "at bound"
    NOT_SEPARABLE = "not separable"
    TOO_FEW_READINGS = "too few readings"
    FAILED = "failed"

    @property
    def trustworthy(self) -> bool:
        """True only for a solved fit."""
        return self is FitStatus.SOLVED


NO_SUCH_MEASURE = "no such measure"
"""Stands in a table of fits where the section has no series of that label."""


@dataclass(frozen=True, eq=False)
class Evidence:
    """What a diagnosis is made from.

    Attributes
    ----------
    readings : int
        Readings that entered the fit.
    values : Mapping of str to float
        Estimate of every free parameter.
    bounds : Mapping of str to (float, float)
        Bounds of every free parameter.
    units : Mapping of str to str
        Unit of every free parameter, for the reason sentence.
    at_bound : Sequence of str
        Free parameters that ended on a bound.
    amplitudes : Sequence of str
        Names of the amplitudes among the free parameters.
    inactive : Sequence of str
        Terms of a non-negative expansion (the creep terms of the hereditary law): resting at zero is normal
        for them, and their mutual correlation is no fault, because only their sum has a meaning.
    precision : Precision or None
        Of the parameters not at a bound; None where the solver did not get so far.
    released : Precision or None
        Of all free parameters, those at a bound among them; None if it is the same.
    converged : bool
        Whether the solver met its own tolerances.
    """

    readings: int
    values: Mapping[str, float]
    bounds: Mapping[str, tuple[float, float]]
    units: Mapping[str, str] = field(default_factory=dict)
    at_bound: Sequence[str] = ()
    amplitudes: Sequence[str] = ()
    inactive: Sequence[str] = ()
    precision: Precision | None = None
    released: Precision | None = None
    converged: bool = True


def too_few_readings(readings: int, free: int) -> bool:
    """Tell whether there are too few readings to fit so many free parameters."""
    return readings < free + SPARE_READINGS


def diagnose(evidence: Evidence) -> tuple[FitStatus, str]:
    """Turn what is known of a fit into a status and a sentence in numbers.

    The first of these that holds is the status: too few readings; failed; not separable; at bound; solved.
    The order is that of what a reader must know first: a parameter on its bound in a fit that separates
    nothing is a detail.

    Parameters
    ----------
    evidence : Evidence

    Returns
    -------
    status : FitStatus
    reason : str
        One or more clauses joined by "; ". Empty for a solved fit with nothing to add.
    """
    free = len(evidence.values)
    if too_few_readings(evidence.readings, free):
        needed = free + SPARE_READINGS
        reason = f"{evidence.readings} readings for {free} free parameters; at least {needed} are needed"
        return FitStatus.TOO_FEW_READINGS, reason
    precision = evidence.precision
    if precision is None:
        return FitStatus.FAILED, "the solver gave no derivatives"
    if not all(math.isfinite(value) for value in evidence.values.values()):
        return FitStatus.FAILED, "an estimate is not a finite number"
    resting = [name for name in evidence.at_bound if name in evidence.inactive and evidence.values[name] == 0]
    bounded = [name for name in evidence.at_bound if name not in resting]
    entangled = _entangled(evidence, precision)
    if not (evidence.converged or entangled):
        return FitStatus.FAILED, "the solver stopped before it met its tolerances"
    clauses = [*entangled, *(_bounded(evidence, name) for name in bounded)]
    if not evidence.converged:
        clauses.append("the solver stopped on the way along the valley this leaves")
    if resting:
        clauses.append(f"active at zero: {', '.join(resting)}")
    reason = "; ".join(clauses)
    if entangled and not (bounded and _only_without_effect(precision)):
        return FitStatus.NOT_SEPARABLE, reason
    if bounded:
        return FitStatus.AT_BOUND, reason
    return FitStatus.SOLVED, reason


def _only_without_effect(precision: Precision) -> bool:
    """Tell whether the one thing wrong is a parameter that a bound has robbed of its effect.

    A creep ratio resting on zero leaves the characteristic time without effect: the bound is the cause, so
    the bound is what is reported.
    """
    live = [not without for without in precision.without_effect]
    errors = precision.standard_errors[live]
    return (
        bool(np.any(precision.without_effect))
        and precision.condition <= LARGEST_CONDITION
        and bool(np.all(np.isfinite(errors)))
    )


def _entangled(evidence: Evidence, precision: Precision) -> list[str]:
    """List in words what the data cannot tell apart; empty if they can."""
    clauses = [
        f"{name} has no effect on the readings"
        for name, without in zip(precision.names, precision.without_effect, strict=True)
        if without
    ]
    if precision.condition > LARGEST_CONDITION:
        clauses.append(
            f"condition number {precision.condition:.1e} of the scaled Jacobian exceeds "
            f"{LARGEST_CONDITION:.0e}: "
            f"{_weakest(precision)} cannot be told apart"
        )
    pair = _closest_pair(precision, evidence.inactive)
    if pair is not None and abs(pair[2]) > LARGEST_CORRELATION:
        clauses.append(
            f"{pair[0]} and {pair[1]} are correlated {pair[2]:+.5f}: the readings fix only their combination"
        )
    for name in evidence.amplitudes:
        clauses += _vague(evidence, precision, name)
    return clauses or _uncertain_shapes(evidence, precision)


def _uncertain_shapes(evidence: Evidence, precision: Precision) -> list[str]:
    """Say in numbers which length, time or ratio is unknown because another parameter can stand in for it."""
    correlation = np.nan_to_num(np.abs(precision.correlation - np.eye(len(precision.names))))
    clauses = []
    for place, name in enumerate(precision.names):
        value, error = evidence.values[name], float(precision.standard_errors[place])
        if name in evidence.inactive or name in evidence.amplitudes or evidence.bounds[name][0] < 0:
            continue
        other = int(np.argmax(correlation[place]))
        if error > LARGEST_SHAPE_ERROR * abs(value) and correlation[place, other] > SHAPE_CORRELATION:
            unit = evidence.units.get(name, "")
            clauses.append(
                f"{name} {value:.3g} {unit}".rstrip()
                + f" has a standard error of {error:.3g} {unit}".rstrip()
                + f", correlated {correlation[place, other]:.3f} with {precision.names[other]}"
            )
    return clauses


def _vague(evidence: Evidence, precision: Precision, name: str) -> list[str]:
    """Say in numbers that an amplitude is not known even to its sign; empty if it is."""
    if name not in precision.names:
        return []
    value, unit = evidence.values[name], evidence.units.get(name, "")
    error = float(precision.standard_errors[precision.names.index(name)])
    free = evidence.released
    loose = error if free is None else float(free.standard_errors[free.names.index(name)])
    if loose <= LARGEST_AMPLITUDE_ERROR * abs(value):
        return []
    tail = f", {loose:.3g} {unit}".rstrip() + " with what rests on a bound let go" if free is not None else ""
    return [f"{name} {value:.3g} {unit}".rstrip() + f" has a standard error of {error:.3g} {unit}".rstrip() + tail]


def _weakest(precision: Precision) -> str:
    """Name the parameters that take part in the direction the readings see least."""
    weights = np.abs(precision.weakest)
    order = np.argsort(-weights)
    taking = [precision.names[k] for k in order if weights[k] > 0.3 * weights[order[0]]]
    return ", ".join(taking[:4])


def _closest_pair(precision: Precision, inactive: Sequence[str]) -> tuple[str, str, float] | None:
    """Find the two parameters with the largest absolute correlation, pairs within the expansion left out."""
    correlation = np.array(precision.correlation)
    names = precision.names
    expansion = np.array([name in inactive for name in names], dtype=bool)
    correlation[np.outer(expansion, expansion)] = 0.0
    np.fill_diagonal(correlation, 0.0)
    correlation[~np.isfinite(correlation)] = 0.0
    if correlation.size == 0:
        return None
    row, column = np.unravel_index(int(np.argmax(np.abs(correlation))), correlation.shape)
    return names[row], names[column], float(correlation[row, column])


def _bounded(evidence: Evidence, name: str) -> str:
    """Say in numbers which bound a parameter ended on."""
    low, high = evidence.bounds[name]
    value = evidence.values[name]
    lower = abs(value - low) <= abs(value - high)
    unit = evidence.units.get(name, "")
    side, bound = ("lower", low) if lower else ("upper", high)
    return f"{name} ended on its {side} bound {bound:.4g} {unit}".rstrip()
