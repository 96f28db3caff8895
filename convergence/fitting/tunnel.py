"""The whole tunnel in one table: a law fitted to every series, with the fields of a single fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import xarray as xr

from convergence.errors import ValueFault
from convergence.fitting.batch import fit_batch
from convergence.fitting.outcome import Outcome
from convergence.fitting.setup import (
    ALL_STAGES,
    DEFAULT_LAW,
    Zero,
    amplitude_names,
    chosen_law,
    chosen_stage,
    job_stages,
)
from convergence.fitting.status import NO_SUCH_MEASURE
from convergence.laws.registry import Law
from convergence.measures.series import Series

FloatArray = npt.NDArray[np.float64]
TextArray = npt.NDArray[np.object_]

_CELL = ("section", "measure")
_EACH = ("section", "measure", "parameter")
_PAIR = ("section", "measure", "parameter", "other_parameter")


def fit_all(
    series: Sequence[Series],
    law: str | Law = DEFAULT_LAW,
    *,
    stage: str | None = None,
    free: Sequence[str] | None = None,
    held: Mapping[str, float] | None = None,
    sigma: float | None = None,
    zero: Zero = "free",
) -> xr.Dataset:
    """Fit one law to every series of a tunnel.

    The fields are those of a single fit, and the numbers agree with `fit_series`: estimates within 1e-6,
    standard errors within 1e-4. A cell is never silently empty: `status` and `reason` say why it holds no
    numbers.

    Parameters
    ----------
    series : Sequence of Series
        At least one; no label twice in a section.
    law, stage, free, held, sigma, zero
        As in `fit_series`.

    Returns
    -------
    xarray.Dataset
        Over section, measure (the label of the series) and parameter:

        - estimate, standard_error, lower_bound, upper_bound (section, measure, parameter), in parameter_unit;
        - role (section, measure, parameter): "free", "held" or "at bound", empty where there is no such
        parameter;
        - correlation (section, measure, parameter, other_parameter);
        - status, reason, prisms, kind (section, measure);
        - rss [mm^2], sigma [mm], readings, degrees_of_freedom (section, measure).

        It writes to netCDF and says in its attributes which law, equation and source stand behind it.

    Raises
    ------
    ValueFault
        If there is no series, a label stands twice in a section, or an option is not possible.
    """
    chosen = chosen_law(law)
    refuse_doubles(series)
    outcomes = fit_batch(series, chosen, stage=stage, free=free, held=held, sigma=sigma, zero=zero)
    sections = list(dict.fromkeys(each.section for each in series))
    labels = list(dict.fromkeys(each.label for each in series))
    names, units = _parameters(series, chosen, stage, outcomes)
    table = _filled(series, outcomes, sections, labels, names)
    return labelled(table, series, names, units, {**attributes(chosen, stage, sigma), "zero_reading": _ZERO[zero]})


_ZERO = {"free": "has noise like any other", "exact": "taken as exact"}


def labelled(
    table: xr.Dataset, series: Sequence[Series], names: list[str], units: list[str], attrs: Mapping[str, str]
) -> xr.Dataset:
    """Give a table of fits its coordinates and attributes."""
    chainage = {each.section: each.chainage for each in series}
    table = table.assign_coords(
        section=list(chainage),
        measure=list(dict.fromkeys(each.label for each in series)),
        parameter=names,
        other_parameter=names,
        chainage=("section", np.array(list(chainage.values())), {"units": "m"}),
        parameter_unit=("parameter", np.array(units, dtype=object)),
    )
    table.attrs = dict(attrs)
    return table


def attributes(law: Law, stage: str | None, sigma: float | None) -> dict[str, str]:
    """Say which law, equation and source stand behind a table of fits."""
    return {
        "title": "Fits of one law to every series of the tunnel",
        "law": law.name,
        "equation": law.equation,
        "source": f"{law.source.text} ({law.source.standing})",
        "units": "movement mm, length m, time days; of each parameter see parameter_unit",
        "stage": "usual choice: the only one, or all" if stage is None else stage,
        "zero_reading": _ZERO["free"],
        "sigma_given_mm": "no" if sigma is None else repr(float(sigma)),
    }


def refuse_doubles(series: Sequence[Series]) -> None:
    """Raise if there is no series, or two would share a cell."""
    if not series:
        raise ValueFault("series: found none, expected at least one. To mend: give the series of the job.")
    seen: set[tuple[str, str]] = set()
    for each in series:
        if (each.section, each.label) in seen:
            raise ValueFault(
                f"series: found {each.label!r} twice in section {each.section!r}, expected each label once "
                f"in a "
                f"section. To mend: give the second one another label."
            )
        seen.add((each.section, each.label))


def _parameters(
    series: Sequence[Series], law: Law, stage: str | None, outcomes: Sequence[Outcome]
) -> tuple[list[str], list[str]]:
    """All parameters of the table and their units: amplitudes, shape in the law's order, then offsets."""
    present = {name for outcome in outcomes for name in outcome.names}
    first, *others = law.parameters
    stages = job_stages(series)
    which = chosen_stage(series[0], stage, stages)
    possible = amplitude_names(law, stages if which == ALL_STAGES else (which,), which)
    amplitudes = [name for name in possible if name in present]
    shape = [parameter.name for parameter in others]
    offsets = sorted(present - set(amplitudes) - set(shape), key=lambda name: int(name.rpartition("_")[2]))
    names = [*amplitudes, *shape, *offsets]
    units = [*(first.unit for _ in amplitudes), *(p.unit for p in others), *("mm" for _ in offsets)]
    return names, units


def _filled(
    series: Sequence[Series],
    outcomes: Sequence[Outcome],
    sections: list[str],
    labels: list[str],
    names: list[str],
) -> xr.Dataset:
    """Put the outcomes into arrays, cell by cell."""
    cell, each = (len(sections), len(labels)), (len(sections), len(labels), len(names))
    numbers = {key: np.full(each, np.nan) for key in ("estimate", "standard_error", "lower_bound", "upper_bound")}
    correlation = np.full((*each, len(names)), np.nan)
    role = np.full(each, "", dtype=object)
    texts: dict[str, TextArray] = {key: np.full(cell, "", dtype=object) for key in ("prisms", "kind", "reason")}
    texts["status"] = np.full(cell, NO_SUCH_MEASURE, dtype=object)
    for row, section in enumerate(sections):
        texts["reason"][row] = [f"section {section} has no {label}" for label in labels]
    scalars = {key: np.full(cell, np.nan) for key in ("rss", "sigma")}
    counts = {key: np.zeros(cell, dtype=np.int32) for key in ("readings", "degrees_of_freedom")}
    for one, outcome in zip(series, outcomes, strict=True):
        at = sections.index(one.section), labels.index(one.label)
        places = np.array([names.index(name) for name in outcome.names], dtype=np.int64)
        numbers["estimate"][at][places] = outcome.values
        numbers["standard_error"][at][places] = outcome.standard_errors
        numbers["lower_bound"][at][places] = [low for low, _ in outcome.bounds]
        numbers["upper_bound"][at][places] = [high for _, high in outcome.bounds]
        correlation[at][np.ix_(places, places)] = outcome.correlation
        role[at][places] = outcome.roles
        texts["prisms"][at], texts["kind"][at] = one.prisms, one.measure
        texts["status"][at], texts["reason"][at] = outcome.status.value, outcome.reason
        scalars["rss"][at], scalars["sigma"][at] = outcome.rss, outcome.sigma
        counts["readings"][at] = outcome.readings
        counts["degrees_of_freedom"][at] = outcome.degrees_of_freedom
    return fit_table(numbers, role, correlation, {**scalars, **counts}, texts)


def fit_table(
    numbers: Mapping[str, FloatArray],
    role: TextArray,
    correlation: FloatArray,
    scalars: Mapping[str, npt.NDArray[np.generic]],
    texts: Mapping[str, TextArray],
) -> xr.Dataset:
    """Dress arrays over section, measure and parameter as the table of fits, without coordinates.

    Parameters
    ----------
    numbers : Mapping of str to ndarray
        estimate, standard_error, lower_bound, upper_bound.
    role, correlation : ndarray
    scalars : Mapping of str to ndarray
        rss, sigma, readings, degrees_of_freedom.
    texts : Mapping of str to ndarray
        status, reason, prisms, kind.

    Returns
    -------
    xarray.Dataset
    """
    words = {
        "estimate": "Estimate, or the value a parameter was held at",
        "standard_error": "Linearised standard error; nan for parameters held or at a bound",
        "lower_bound": "Lower bound of the fit",
        "upper_bound": "Upper bound of the fit",
        "rss": "Sum of squared residuals",
        "sigma": "Standard deviation of a reading",
        "readings": "Readings in the fit",
        "degrees_of_freedom": "Readings less estimated parameters",
        "status": "Outcome of the fit; only 'solved' may be used without a second look",
        "reason": "Why the status is what it is",
        "prisms": "Prisms of the measure",
        "kind": "Kind of the measure",
    }
    units = {"rss": "mm2", "sigma": "mm"}
    variables: dict[str, tuple[tuple[str, ...], npt.NDArray[np.generic], dict[str, str]]] = {}
    for key, values in numbers.items():
        variables[key] = (_EACH, values, {"description": words[key], "units": "see parameter_unit"})
    variables["role"] = (_EACH, role, {"description": "free, held or at bound; empty: no such parameter"})
    variables["correlation"] = (
        _PAIR,
        correlation,
        {"description": "Correlation of the estimates", "units": "1"},
    )
    for key, scalar in scalars.items():
        variables[key] = (_CELL, scalar, {"description": words[key], "units": units.get(key, "1")})
    for key in ("status", "reason", "prisms", "kind"):
        variables[key] = (_CELL, texts[key], {"description": words[key]})
    return xr.Dataset(variables)
