"""Many series at once, in numpy alone: what they have in common is worked out once for all of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from convergence.fitting.basis_table import BasisTable
from convergence.fitting.model import Model
from convergence.fitting.model_table import model_table
from convergence.fitting.outcome import Outcome, failure, refusal, series_outcome
from convergence.fitting.polish import SECOND_ITERATIONS, best_solution, polish
from convergence.fitting.screen import ScreenTable, refined_starts, screen_table
from convergence.fitting.setup import (
    DEFAULT_LAW,
    Zero,
    build_model,
    check_sigma,
    chosen_law,
    chosen_stage,
    job_stages,
)
from convergence.laws.registry import Law
from convergence.measures.series import Series

FloatArray = npt.NDArray[np.float64]


LARGEST_KEPT = 8
"""Most sweeps whose shared parts are kept; one can take some megabytes, and series come sorted by section."""


@dataclass(frozen=True, eq=False)
class _Shared:
    """What the series of one sweep share."""

    screen: ScreenTable
    table: BasisTable | None


def fit_batch(
    series: Sequence[Series],
    law: str | Law = DEFAULT_LAW,
    *,
    stage: str | None = None,
    free: Sequence[str] | None = None,
    held: Mapping[str, float] | None = None,
    sigma: float | None = None,
    zero: Zero = "free",
) -> list[Outcome]:
    """Fit one law to each of many series, without lmfit.

    The same problem as `fit_series`, to the same minimum: the grid is screened with the linear parameters solved
    exactly (non-negative creep by trying every active set), the best cells are followed by variable projection, and a
    bounded Levenberg-Marquardt iteration takes its end to all digits. Series with the same reading times, segments and
    face paths share the grid, and for the hereditary law the bases over the influence length.

    Parameters
    ----------
    series : Sequence of Series
    law, stage, free, held, sigma, zero
        As in `fit_series`.

    Returns
    -------
    list of Outcome
        One a series, in their order.

    Raises
    ------
    ValueFault
        If an option is not possible.
    """
    check_sigma(sigma)
    chosen = chosen_law(law)
    known: dict[tuple[object, ...], _Shared] = {}
    stages = job_stages(series)
    outcomes = []
    for each in series:
        which = chosen_stage(each, stage, stages)
        model = build_model(each, chosen, which, free=free, held=held, zero=zero, known=stages)
        outcome = refusal(model, which)
        outcomes.append(_solved(model, known, sigma) if outcome is None else outcome)
    return outcomes


def _solved(model: Model, known: dict[tuple[object, ...], _Shared], sigma: float | None) -> Outcome:
    """Fit one series with what is shared, working that out if it is the first of its sweep."""
    try:
        shared = _shared(model, known)
        quick = replace(model, table=shared.table)
        first, *others = refined_starts(quick, shared.screen)
        solutions = [polish(quick, first), *(polish(quick, other, SECOND_ITERATIONS) for other in others)]
        return series_outcome(quick, best_solution(solutions), sigma)
    except (ArithmeticError, np.linalg.LinAlgError) as fault:
        return failure(model, f"the solver broke down: {fault}")


def _shared(model: Model, known: dict[tuple[object, ...], _Shared]) -> _Shared:
    """Give what the sweep of this series shares; the sweep used longest ago is forgotten."""
    key = _sweep(model)
    shared = known.pop(key) if key in known else _Shared(screen_table(model), model_table(model))
    known[key] = shared
    if len(known) > LARGEST_KEPT:
        del known[next(iter(known))]
    return shared


def _sweep(model: Model) -> tuple[object, ...]:
    """Tell apart what the shared parts depend on; the values read are not among it."""
    paths = tuple((path.time.tobytes(), path.distance.tobytes()) for path in model.paths)
    readings = (
        model.zero_time,
        model.time.tobytes(),
        model.segment.tobytes(),
        model.width,
        model.offset_segments,
    )
    return (model.names, paths, *readings, model.held.tobytes())
