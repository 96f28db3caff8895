"""The fit of one law to one measure of one section, with lmfit inside."""

from __future__ import annotations

import html
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault
from convergence.fitting.model import Model
from convergence.fitting.model_table import model_table
from convergence.fitting.outcome import Outcome, failure, refusal, series_outcome
from convergence.fitting.screen import refined_starts, screen_table
from convergence.fitting.setup import DEFAULT_LAW, Zero, build_model, check_sigma, chosen_law, chosen_stage
from convergence.fitting.status import FitStatus
from convergence.laws.path import FacePath
from convergence.laws.registry import Law
from convergence.measures.series import Series

if TYPE_CHECKING:
    from lmfit.minimizer import MinimizerResult

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, repr=False, eq=False)
class CurveFit:
    """One law fitted to one series.

    Attributes
    ----------
    section, measure, prisms, label : str
        Of the series.
    law : Law
    stage : str
        The stage fitted, or "all".
    status : FitStatus
        Only "solved" may be used without a second look.
    reason : str
        Why the status is what it is, in numbers; may be empty for a solved fit.
    parameters : dict of str to float
        Estimates and held values; nan where no fit was made.
    standard_errors : dict of str to float
        nan for parameters held or at a bound.
    roles : dict of str to str
        "free", "held" or "at bound" for each parameter.
    correlation : ndarray, shape (p, p)
        Of the estimates, in the order of ``parameters``; nan for parameters held or at a bound.
    bounds : dict of str to (float, float)
    rss : float
        Sum of squared residuals [mm^2].
    degrees_of_freedom : int
    sigma : float
        Standard deviation of a reading [mm], as given or from the residuals.
    readings : int
        Readings in the fit.
    result : lmfit.minimizer.MinimizerResult or None
        The solver's own result, with the standard errors above written in; None where no fit was made.
    model : Model
        The least-squares problem, for those who want its derivatives.
    """

    section: str
    measure: str
    prisms: str
    label: str
    law: Law
    stage: str
    status: FitStatus
    reason: str
    parameters: dict[str, float]
    standard_errors: dict[str, float]
    roles: dict[str, str]
    correlation: FloatArray
    bounds: dict[str, tuple[float, float]]
    rss: float
    degrees_of_freedom: int
    sigma: float
    readings: int
    result: MinimizerResult | None
    model: Model = field(repr=False)

    @property
    def names(self) -> tuple[str, ...]:
        """Parameters in the order of the correlation matrix."""
        return tuple(self.parameters)

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the estimates, shape (p, p), in the order of ``names``; nan as in the correlation."""
        errors = np.array(list(self.standard_errors.values()))
        return np.asarray(self.correlation * np.outer(errors, errors))

    def predict(self, time: npt.ArrayLike, paths: Mapping[str, FacePath] | None = None) -> FloatArray:
        """True movement since the zero reading, according to the law.

        The error of the zero reading itself (the zero offset) is not part of it. Stages that had not passed
        the section by the last reading are not part of it either: the fit knows nothing of them.

        Parameters
        ----------
        time : array_like
            Days since the job's epoch [d], any order and shape.
        paths : Mapping of str to FacePath, optional
            Face paths in place of the recorded ones, e.g. with a plan of further advance added.

        Returns
        -------
        ndarray, shape of ``time``
            [mm]; nan where no fit was made.
        """
        return self._movement(time, paths) - self.lost(paths)

    def lost(self, paths: Mapping[str, FacePath] | None = None) -> float:
        """Movement before the zero reading, according to the law.

        For laws that begin at the face this is the part behind the face only; what came ahead of the face is
        lost in addition and not known to the law. The hereditary law has the part ahead of the face in it.

        Parameters
        ----------
        paths : Mapping of str to FacePath, optional
            As in `predict`.

        Returns
        -------
        float
            [mm]; nan where no fit was made.
        """
        return float(self._movement(np.array([self.model.zero_time]), paths)[0])

    def rate(self, time: npt.ArrayLike, paths: Mapping[str, FacePath] | None = None) -> FloatArray:
        """Rate of movement just after each time, according to the law.

        Parameters
        ----------
        time : array_like
            Days since the job's epoch [d], any order and shape.
        paths : Mapping of str to FacePath, optional
            As in `predict`.

        Returns
        -------
        ndarray, shape of ``time``
            [mm/day]; nan where no fit was made.
        """
        times = np.asarray(time, dtype=np.float64)
        if not self._usable():
            return np.full(times.shape, np.nan)
        rates = np.zeros(times.shape)
        for amplitude, path in self._stages(paths):
            rates = rates + self.law.rate(path, times, self._values(amplitude))
        return rates

    def _movement(self, time: npt.ArrayLike, paths: Mapping[str, FacePath] | None) -> FloatArray:
        """Movement of all stages in the fit since their faces passed, or since undisturbed ground."""
        times = np.asarray(time, dtype=np.float64)
        if not self._usable():
            return np.full(times.shape, np.nan)
        movement = np.zeros(times.shape)
        for amplitude, path in self._stages(paths):
            movement = movement + self.law.evaluate(path, times, self._values(amplitude))
        return movement

    def _usable(self) -> bool:
        return bool(self.model.stages) and all(math.isfinite(value) for value in self.parameters.values())

    def _stages(self, paths: Mapping[str, FacePath] | None) -> list[tuple[float, FacePath]]:
        """Amplitude and face path of each stage in the fit."""
        if paths is not None:
            missing = [stage for stage in self.model.stages if stage not in paths]
            if missing:
                raise ValueFault(
                    f"paths: found no face path for stage {', '.join(map(repr, missing))}, expected one for "
                    f"each of "
                    f"{', '.join(self.model.stages)}. To mend: give a FacePath a stage."
                )
        chosen = self.model.paths if paths is None else tuple(paths[stage] for stage in self.model.stages)
        amplitudes = [self.parameters[self.model.names[place]] for place in self.model.amplitudes]
        return list(zip(amplitudes, chosen, strict=True))

    def _values(self, amplitude: float) -> dict[str, float]:
        """Values of the law's own parameters for one stage."""
        shape = {parameter.name: self.parameters[parameter.name] for parameter in self.law.parameters[1:]}
        return {self.law.parameters[0].name: amplitude, **shape}

    def __repr__(self) -> str:
        lines = [self._headline()]
        if not self.status.trustworthy:
            lines.append(f"  !! NOT TO BE USED AS IT STANDS: {self.status.value} - {self.reason}")
        elif self.reason:
            lines.append(f"  note: {self.reason}")
        width = max((len(name) for name in self.parameters), default=0)
        lines += [f"  {row[0]:<{width}}  {row[1]:>12} {row[2]:<18} {row[3]}".rstrip() for row in self._rows()]
        lines.append(f"  {self._footline()}")
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        """Show the fit in a notebook; an untrustworthy one carries a heavy frame and says why first."""
        trusted = self.status.trustworthy
        frame = "1px solid #888" if trusted else "4px double #000"
        parts = [f'<div style="border:{frame};padding:0.5em;display:inline-block">']
        parts.append(f"<strong>{html.escape(self._headline().strip('<>'))}</strong>")
        if not trusted:
            parts.append(
                f"<p><strong>NOT TO BE USED AS IT STANDS: {html.escape(self.status.value)}</strong><br>"
                f"{html.escape(self.reason)}</p>"
            )
        elif self.reason:
            parts.append(f"<p>note: {html.escape(self.reason)}</p>")
        cells = "".join(
            "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in row) + "</tr>" for row in self._rows()
        )
        head = "<tr><th>parameter</th><th>value</th><th>standard error</th><th></th></tr>"
        parts.append(f"<table>{head}{cells}</table><small>{html.escape(self._footline())}</small></div>")
        return "".join(parts)

    def _headline(self) -> str:
        mark = "" if self.status.trustworthy else "?"
        what = f"{self.section} | {self.label} ({self.prisms}) | {self.law.name}, stage {self.stage}"
        return f"<CurveFit{mark} {what}>"

    def _footline(self) -> str:
        spread = "no sigma" if math.isnan(self.sigma) else f"sigma {self.sigma:.3g} mm"
        counts = f"{self.readings} readings, {self.degrees_of_freedom} degrees of freedom"
        return f"{counts}, {spread}: {self.status.value}"

    def _rows(self) -> list[tuple[str, str, str, str]]:
        """Name, value, standard error and remark of each parameter."""
        units = dict(zip(self.model.names, self.model.units, strict=True))
        rows = []
        for name, value in self.parameters.items():
            unit = "" if units[name] == "-" else f" {units[name]}"
            shown = "unknown" if math.isnan(value) else f"{value:.4g}{unit}"
            error = self.standard_errors[name]
            spread = "" if math.isnan(error) else f"+- {error:.2g}{unit}"
            doubt = "" if self.status.trustworthy or self.roles[name] != "free" else "?"
            rows.append((name, shown, spread, doubt if self.roles[name] == "free" else self.roles[name]))
        return rows


def fit_series(
    series: Series,
    law: str | Law = DEFAULT_LAW,
    *,
    stage: str | None = None,
    free: Sequence[str] | None = None,
    held: Mapping[str, float] | None = None,
    sigma: float | None = None,
    zero: Zero = "free",
) -> CurveFit:
    r"""Fit one law to one series.

    .. math:: v_k = \sum_s A_s [S(p_s, t_k) - S(p_s, t_0)] + z_{g(k)}

    by least squares, from the best shapes of a coarse grid on which the linear parameters are solved exactly.
    It raises only for options that make no sense; readings that cannot carry the fit give a status and a
    reason.

    Parameters
    ----------
    series : Series
    law : str or Law
        A law of the registry or one of your own.
    stage : str, optional
        One stage (its parameter is ``amplitude``), or "all" for an amplitude a stage (``amplitude_<stage>``)
        with the shape shared. Usually the only stage, or "all" where the job has several. Stages whose face
        has not passed before the last reading take no part.
    free : Sequence of str, optional
        Parameters to estimate; usually all that neither ``held`` nor the law itself holds.
    held : Mapping of str to float, optional
        Values of parameters not to be estimated, e.g. a shape taken over from neighbouring sections.
    sigma : float, optional
        Standard deviation of a reading [mm]; taken from the residuals unless given.
    zero : {"free", "exact"}
        "free": the zero reading has noise like any other, so each segment has an offset
        ``zero_offset_<segment>``.
        "exact": it has none, and segment 0 has no offset; the zero reading is then not counted as a reading.

    Returns
    -------
    CurveFit

    Raises
    ------
    ValueFault
        If the law, stage, a parameter name, a held value or sigma is not possible.
    """
    check_sigma(sigma)
    chosen = chosen_law(law)
    which = chosen_stage(series, stage)
    model = build_model(series, chosen, which, free=free, held=held, zero=zero)
    outcome = refusal(model, which)
    result = None
    if outcome is None:
        outcome, result = _solved(model, sigma)
    return _curve_fit(series, chosen, which, model, outcome, result)


def _solved(model: Model, sigma: float | None) -> tuple[Outcome, MinimizerResult | None]:
    """Run the solver and judge what it found."""
    # imported here so that lmfit loads with the first single fit and not with the package
    from convergence.fitting.solver import annotate, solve

    try:
        # starts from the table, so that they are those of the batch; the fit itself does without
        starts = refined_starts(replace(model, table=model_table(model)), screen_table(model))
        solution, result = solve(model, starts)
    except (ArithmeticError, np.linalg.LinAlgError) as fault:
        return failure(model, f"the solver broke down: {fault}"), None
    outcome = series_outcome(model, solution, sigma)
    annotate(result, outcome.names, outcome.standard_errors, outcome.correlation)
    return outcome, result


def _curve_fit(
    series: Series, law: Law, stage: str, model: Model, outcome: Outcome, result: MinimizerResult | None
) -> CurveFit:
    """Dress an outcome as a fit of its series."""
    return CurveFit(
        section=series.section,
        measure=series.measure,
        prisms=series.prisms,
        label=series.label,
        law=law,
        stage=stage,
        status=outcome.status,
        reason=outcome.reason,
        parameters=dict(zip(outcome.names, outcome.values.tolist(), strict=True)),
        standard_errors=dict(zip(outcome.names, outcome.standard_errors.tolist(), strict=True)),
        roles=dict(zip(outcome.names, outcome.roles, strict=True)),
        correlation=outcome.correlation,
        bounds=dict(zip(outcome.names, outcome.bounds, strict=True)),
        rss=outcome.rss,
        degrees_of_freedom=outcome.degrees_of_freedom,
        sigma=outcome.sigma,
        readings=outcome.readings,
        result=result,
        model=model,
    )
