"""What the lining carries by the movement that was measured: strain and thrust as intervals, or a refusal.

Half a millimetre on a radius of five metres is a hundred microstrain, a tenth of what crushes young sprayed concrete.
So the answer is an interval with everything in it that is not known: what the lining was strained before its prisms
were fixed, the noise of the prisms, the thickness as built, stiffness and creep. Where the noise is of the order of the
strain nothing is said.
"""

from __future__ import annotations

import html
from dataclasses import dataclass

import numpy as np
import pandas as pd

from convergence.errors import ValueFault
from convergence.job.design_assumptions import GroundAssumptions, LiningAssumptions
from convergence.laws.arrays import FloatArray, floats
from convergence.lining.back_analysis import section_case
from convergence.lining.back_analysis_prior import values_at
from convergence.lining.back_analysis_result import BackAnalysis
from convergence.lining.demand_balance import balance_thrust
from convergence.lining.demand_ring import SOURCES, carried_thrust
from convergence.lining.demand_strain import ClosureHistory, closure_history
from convergence.lining.shown import shown
from convergence.projection.result import Projection
from convergence.survey.job import Job
from convergence.terms import CAUTION

RESOLVED = 3.0
"""A strain is refused unless it is this many of its standard errors."""
MICRO = 1e6


@dataclass(frozen=True, repr=False)
class Demand:
    """Strain and thrust of a section's lining at the last reading. Plain data: it pickles.

    Attributes
    ----------
    section : str
        The section.
    at : str
        Instant of the last reading, UTC.
    refused : str
        Why nothing is said; empty where something is.
    since_zero, since_zero_error : float
        Hoop strain since the prisms were fixed and its standard error [microstrain], + compression.
    before : tuple of float
        Strain of the lining before its prisms were fixed, 5, 50 and 95 % points [microstrain].
    strain : tuple of float
        The whole [microstrain].
    thrust : tuple of float
        Thrust by the measured strain [MN/m].
    balance_thrust : tuple of float
        Thrust by the back-analysed balance at the horizon [MN/m], with the plane construction's error; NaN without.
    capacity : tuple of float
        Thrust at which the layers that are there yield at this age, girders with them [MN/m]; NaN where the design
        gives no strength.
    parts : mapping of str to float
        Width of the thrust's middle 90 % by each source alone [MN/m].
    history : ClosureHistory
        Closure by time.
    strain_samples : ndarray, shape (times, samples)
        Strain by time [microstrain].
    girder_thrust : tuple of float
        The girders' part of the thrust by measured strain [MN/m]; 0 without girders.
    warning : str
        What is wrong with the back-analysis beside it; its thrust is then not given.
    thrust_at_zero : tuple of float
        Thrust at the zero reading, by the strain from before the prisms were fixed [MN/m]; NaN where refused.
    """

    section: str
    at: str
    refused: str
    since_zero: float
    since_zero_error: float
    before: tuple[float, float, float]
    strain: tuple[float, float, float]
    thrust: tuple[float, float, float]
    balance_thrust: tuple[float, float, float]
    capacity: tuple[float, float, float]
    parts: dict[str, float]
    history: ClosureHistory
    strain_samples: FloatArray
    girder_thrust: tuple[float, float, float] = (0.0, 0.0, 0.0)
    warning: str = ""
    thrust_at_zero: tuple[float, float, float] = (float("nan"), float("nan"), float("nan"))

    def table(self) -> pd.DataFrame:
        """5, 50 and 95 % points of each quantity."""
        rows = {
            "strain before the prisms [microstrain]": self.before,
            "strain [microstrain]": self.strain,
            "thrust by measured strain [MN/m]": self.thrust,
            **({"of it by the girders [MN/m]": self.girder_thrust} if self.girder_thrust[2] > 0.0 else {}),
            "thrust by the balance, at the horizon [MN/m]": self.balance_thrust,
            "thrust at which it yields [MN/m]": self.capacity,
        }
        return pd.DataFrame.from_dict(rows, orient="index", columns=["low", "median", "high"])

    def sentence(self) -> str:
        """The answer in words."""
        noise = f"{self.since_zero:.0f} +- {self.since_zero_error:.0f} microstrain since its prisms were fixed"
        if self.refused:
            return f"{self.section}: no thrust is given: {self.refused} ({noise}, {self.at}Z)"
        widest = max(self.parts, key=lambda name: self.parts[name])
        words = (
            f"{self.section}, {self.at}Z: {noise}; thrust {self.thrust[1]:.2f} MN/m ({self.thrust[0]:.2f} to "
            f"{self.thrust[2]:.2f}), most of its width from: {widest}"
        )
        if np.isnan(self.capacity[0]):
            words += "; the design gives no strength, so nothing limits the thrust"
        elif self.thrust[2] > 0.95 * self.capacity[0]:
            words += "; the upper end stands at the strength of the concrete, where strain no longer tells thrust"
        return words

    def __repr__(self) -> str:
        return f"Demand({self.sentence()})"

    def _repr_html_(self) -> str:
        words = f"<p><b>{'REFUSED. ' if self.refused else ''}</b>{html.escape(self.sentence())}</p>"
        table = "" if self.refused else self.table().to_html(float_format=shown)
        doubt = f"<p>! {html.escape(self.warning)}; no thrust by the balance is given</p>" if self.warning else ""
        return f"{words}{doubt}{table}<p><small>{CAUTION}</small></p>"


def lining_demand(
    job: Job,
    projection: Projection,
    section: str,
    ground: GroundAssumptions | None = None,
    lining: LiningAssumptions | None = None,
    analysis: BackAnalysis | None = None,
    samples: int = 400,
    seed: int = 0,
) -> Demand:
    """Strain and thrust of a section's lining from its measured movement.

    The equal closure of the prisms over the radius of the ring's middle is its hoop strain, if the ring is one: feet
    that slide or sink make it less, and `open_share` is all that stands for them. Each layer takes up what comes after
    it was sprayed, with the stiffness of its age and its creep, up to its strength; girders share its strain. Every
    range of the lining is drawn, see `convergence.lining.demand_ring`.

    Parameters
    ----------
    job : Job
        The job.
    projection : Projection
        For the noise of a reading and the part lost before the zero reading.
    section : str
        The section.
    ground, lining : GroundAssumptions, LiningAssumptions, optional
        In place of the job's tables; ranges are the middle 90 %.
    analysis : BackAnalysis, optional
        Of this section, for the thrust by the balance beside it.
    samples : int
        Number of samples.
    seed : int
        Of the random numbers.

    Returns
    -------
    Demand
        Intervals, or the reason why there are none.

    Raises
    ------
    ValueFault
        If ground or lining is not given, the section is not projected or the analysis does not stand on it.
    """
    if not isinstance(section, str):
        raise ValueFault(
            f"demand: section {section!r}; expected the name of one section. To mend: ask for one at a time."
        )
    if analysis is not None and section not in analysis.sections:
        raise ValueFault(
            f"demand: the analysis is of {', '.join(analysis.sections)}; expected one that holds {section}. To mend: "
            "analyse this section too, or leave analysis= out."
        )
    if samples < 2:
        raise ValueFault(f"demand: samples = {samples}; expected 2 or more. To mend: correct it.")
    soil, built = ground or job.settings.ground, lining or job.settings.lining
    if soil is None or built is None or not built.layers:
        raise ValueFault(
            "demand: no [ground] or no lining with a thickness; expected the design's assumptions. To mend: add them "
            "to tunnel.toml, or pass ground= and lining=."
        )
    model, data = section_case(job, projection, section, soil, built)
    projected = projection.sections[section]
    history = closure_history(projected, data, projection.noise.total)
    none = (float("nan"),) * 3
    at = str(job.instant(projected.now))[:16]
    middle = model.radius - 0.5 * float(model.thickness({}))
    per_mm = MICRO * 1e-3 / middle
    reason = history.refused
    if not reason and float(np.min([np.max(floats(day)) for day in model.built({}).installed])) >= history.time[-1]:
        reason = "no lining was sprayed by the last reading"
    if not reason and abs(history.closure[-1]) < RESOLVED * history.error:
        reason = "the noise of the prisms is of the order of the strain"
    if reason:
        last = float(history.closure[-1]) * per_mm if len(history.closure) else float("nan")
        unknown = np.full((len(history.time), 1), np.nan)
        return Demand(
            section, at, reason, last, history.error * per_mm, none, none, none, none, none, {}, history, unknown
        )
    whole = carried_thrust(model, built, history, samples, seed)
    parts = {}
    for name in SOURCES:
        alone = carried_thrust(model, built, history, samples, seed, (name,)).thrust
        parts[name] = float(np.subtract(*np.quantile(alone, [0.95, 0.05])))
    by_balance, warning = none, "" if analysis is None else analysis.warning
    if analysis is not None and analysis.trusted:
        kept = analysis.draws.normal[analysis.draws.equal(min(samples, 200))]
        response = model.respond(*values_at(analysis.priors, kept)[:2])
        shares = np.random.default_rng(seed).random(len(kept))
        by_balance = _three(balance_thrust(model, response, shares))
    return Demand(
        section, at, "", float(history.closure[-1]) * per_mm, history.error * per_mm, _three(whole.before),
        _three(whole.strain[-1]), _three(whole.thrust), by_balance, _three(whole.most), parts, history, whole.strain,
        _three(whole.girders), warning, _three(whole.at_zero),
    )  # fmt: skip


def _three(values: FloatArray) -> tuple[float, float, float]:
    # no interpolation between numbers that may be endless
    ordered = np.sort(values)
    low, middle, high = (float(ordered[round(share * (ordered.size - 1))]) for share in (0.05, 0.5, 0.95))
    return low, middle, high
