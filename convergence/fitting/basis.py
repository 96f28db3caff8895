"""A law taken apart into columns that enter linearly, for many trials of its other parameters at once."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from convergence.laws.hereditary import hereditary_bases
from convergence.laws.path import FacePath
from convergence.laws.registry import Law

FloatArray = npt.NDArray[np.float64]


def law_basis(
    law: Law,
    path: FacePath,
    time: FloatArray,
    names: Sequence[str],
    shapes: FloatArray,
    ratios: Sequence[str],
    finest: float,
) -> FloatArray:
    r"""Columns of which the law is a linear combination at given nonlinear parameters.

    .. math:: S(\theta, m) = B_0(\theta) + \sum_i m_i B_i(\theta)

    where the m_i are the parameters of kind "ratio". That every listed law has this form is held by a test
    over the registry.

    Parameters
    ----------
    law : Law
    path : FacePath
        How the face moved past the section.
    time : ndarray, shape (n,)
        Ascending [d].
    names : Sequence of str
        The nonlinear parameters, one a column of ``shapes``.
    shapes : ndarray, shape (g, q)
        Trial values.
    ratios : Sequence of str
        The parameters of kind "ratio", in the law's order.
    finest : float
        Shortest influence length in question [m]. The integration grid of the hereditary law is made for it
        and thus stays the same from trial to trial; otherwise the result would jump a little as the grid
        changes, and derivatives could not be trusted beyond four digits.

    Returns
    -------
    ndarray, shape (g, n, 1 + r)
        Movement per unit amplitude [-].
    """
    if law.family == "hereditary":
        return _hereditary_columns(law, path, time, names, shapes, finest)
    variables = _variables(law, path, time)
    columns = [_evaluated(law, variables, names, shapes, dict.fromkeys(ratios, 0.0))]
    for ratio in ratios:
        unit = {**dict.fromkeys(ratios, 0.0), ratio: 1.0}
        columns.append(_evaluated(law, variables, names, shapes, unit) - columns[0])
    return np.stack(columns, axis=-1)


def _variables(law: Law, path: FacePath, time: FloatArray) -> list[FloatArray]:
    """What the function of this family takes before its parameters; a face may not have come yet."""
    elapsed = path.elapsed(time)
    known = {"distance": path.at(time), "elapsed": np.where(np.isnan(elapsed), -np.inf, elapsed)}
    taken = {"face": ("distance",), "time": ("elapsed",), "coupled": ("distance", "elapsed")}
    return [known[name] for name in taken[law.family]]


def _evaluated(
    law: Law,
    variables: Sequence[FloatArray],
    names: Sequence[str],
    shapes: FloatArray,
    ratios: dict[str, float],
) -> FloatArray:
    """Evaluate the law with amplitude 1 for all trials in one call, shape (g, n)."""
    trial = {name: shapes[:, [place]] for place, name in enumerate(names)}
    arguments: list[npt.ArrayLike] = []
    for parameter in law.parameters:
        if parameter.kind == "amplitude":
            arguments.append(1.0)
        elif parameter.name in ratios:
            arguments.append(ratios[parameter.name])
        else:
            arguments.append(trial[parameter.name])
    shape = (shapes.shape[0], variables[0].size)
    return np.broadcast_to(np.asarray(law.function(*variables, *arguments), dtype=np.float64), shape)


def _hereditary_columns(
    law: Law, path: FacePath, time: FloatArray, names: Sequence[str], shapes: FloatArray, finest: float
) -> FloatArray:
    """Share released and memory of each retardation time; one pass a face share, with ballast."""
    lengths = shapes[:, names.index("influence_length")]
    shares = shapes[:, names.index("face_share")]
    result = np.empty((lengths.size, time.size, 1 + len(law.retardation_times)))
    for share in np.unique(shares):
        rows = np.flatnonzero(shares == share)
        # the ballast fixes the integration grid, see `finest`; its own result is not used
        trial = np.concatenate([[min(finest, float(np.min(lengths)))], lengths[rows]])
        result[rows] = hereditary_bases(path, time, trial, float(share), law.retardation_times)[1:]
    return result
