"""What a projection hands out: plain data, section by section, and as one table."""

from __future__ import annotations

import html
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from convergence.errors import ValueFault
from convergence.job.advance import USUAL_TIMING, RoundTiming
from convergence.measures.rates import Noise
from convergence.measures.series import Series
from convergence.projection.plan import FaceTrack
from convergence.terms import CAUTION

Floats = npt.NDArray[np.float64]

#: Probabilities at which the movement's distribution is kept, date by date.
PROBABILITIES = np.array(
    [.001, .005, .01, .025, .05, .1, .16, .25, .35, .5, .65, .75, .84, .9, .95, .975, .99, .995, .999]
)  # fmt: skip

#: Head of the tables that notebooks show.
HTML_HEAD = "<tr>" + "".join(
    f"<th>{name}</th>"
    for name in (
        "section", "measure", "prisms", "measured", "low", "final", "high", "alone", "sd parameters", "sd readings",
        "sd law", "lost", "sd lost",
    )
) + "</tr>"  # fmt: skip


@dataclass(frozen=True)
class SectionProjection:
    """One section's measures carried to the horizon.

    Attributes
    ----------
    section : str
        The section.
    chainage : float
        Its chainage along the tunnel [m], in which faces are counted: chainage equations do not make it jump.
    series : tuple of Series
        Its measures, those with at least one reading.
    dates : (e,) array
        Days since the job's epoch, ascending, the last one the horizon.
    now : float
        Day of the last reading of the section.
    quantiles : (j, e, q) array
        Movement since the zero reading [mm] by measure, date and probability (``PROBABILITIES``), undeclared jumps
        kept.
    total_quantiles : (j, e, q) array
        The same since excavation, the lost part included.
    rate_quantiles : (j, r, q) array
        Movement per day [mm/day] between pairs of dates at least three days apart.
    rate_dates : (2, r) array
        First and second day of each pair.
    mean : (j, e) array
        Mean movement since the zero reading [mm].
    lost, lost_deviation : (j,) arrays
        Movement before the zero reading [mm] and its standard deviation.
    by_stage : (j, K) array
        Part of the final value each stage causes [mm].
    stages : tuple of str
        The stages of ``by_stage``.
    stage_correlation : (j, K, K) array
        Correlation of the stages' parts: near -1 the readings cannot tell which stage caused what.
    widening : (j,) array
        Factor on the bands ahead; above 1 where the other sections and the section's own readings disagree.
    stop : tuple of float or None
        First and last day of the next planned stop of the first stage, or of the one that goes on.
    deviation, deviation_after_stop : (j,) arrays
        Standard deviation of the final value [mm] now, and as expected once that stop has been read at the usual
        rate; NaN without a stop.
    parameter_deviation, reading_deviation, law_deviation : (j,) arrays
        Standard deviation of the final value [mm] from the shape, from readings and amplitudes, from what the law
        does not describe; their squares add up to the whole.
    alone : (j, 3) array
        Final value by the section's own readings and the physical prior only: low, median, high.
    shape : (d,) array
        Mean of theta = (ln X, ln n, ln m_i); ``shape_deviation`` its standard deviation, ``prior_shape`` what the
        pool said before the section's own readings, with ``prior_deviation``.
    creep_share, creep_share_deviation : float
        Share of the whole movement that is creep, sum m / (1 + sum m), and its standard deviation.
    own_creep_knowledge : float
        Standard deviation of the creep share by the section's own readings, over that before any reading: 1 if they
        tell nothing of it, towards 0 if they tell it.
    influence_length : float
        Median influence length [m].
    at_bound : bool
        Whether the influence length lies at an end of the range it is looked for in.
    effective_samples : float
        Effective number of samples behind the numbers.
    standing : tuple of (str, float)
        Stages with the face near, of which no round was logged for days, and the day of their last round.
    run_away : (j,) array of bool
        Measures whose final value no opening that stands can reach.
    future_passages : dict of str to float
        Day on which each stage that has not passed yet is planned to; NaN if not within the horizon.
    site_chainage : float
        Its chainage as the site writes it [m], the one to show; the same without chainage equations.
    stage_deviation : (j, K) array
        Standard deviation of ``by_stage`` [mm].
    horizon_day : float
        Day of the horizon; the last date lies later where the section is still read after it, NaN if not said.
    ground_changes : tuple of (str, str, float)
        The nearest places on either side, before and past this section, where the ground is more likely than not to
        change by how the sections move: the two sections about it, and the probability.
    """

    section: str
    chainage: float
    series: tuple[Series, ...]
    dates: Floats
    now: float
    quantiles: Floats
    total_quantiles: Floats
    rate_quantiles: Floats
    rate_dates: Floats
    mean: Floats
    lost: Floats
    lost_deviation: Floats
    by_stage: Floats
    stages: tuple[str, ...]
    stage_correlation: Floats
    widening: Floats
    stop: tuple[float, float] | None
    deviation: Floats
    deviation_after_stop: Floats
    parameter_deviation: Floats
    reading_deviation: Floats
    law_deviation: Floats
    alone: Floats
    shape: Floats
    shape_deviation: Floats
    prior_shape: Floats
    prior_deviation: Floats
    creep_share: float
    creep_share_deviation: float
    own_creep_knowledge: float
    influence_length: float
    at_bound: bool
    effective_samples: float
    future_passages: dict[str, float]
    standing: tuple[tuple[str, float], ...] = ()
    run_away: npt.NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=bool))
    site_chainage: float = float("nan")
    stage_deviation: Floats = field(default_factory=lambda: np.empty((0, 0)))
    horizon_day: float = float("nan")
    ground_changes: tuple[tuple[str, str, float], ...] = ()

    def index(self, label: str) -> int:
        """Place of a measure by its label."""
        return [item.label for item in self.series].index(label)

    def final(self, index: int, probability: float) -> float:
        """Quantile of the final value [mm] of one measure."""
        return float(np.interp(probability, PROBABILITIES, self.quantiles[index, -1]))

    def html_rows(self, confidence: float = 0.9) -> list[str]:
        """Rows of an HTML table, one for each measure; what it is called is escaped."""
        tail = (1 - confidence) / 2
        found = []
        for index, series in enumerate(self.series):
            numbers = [
                float(series.value[-1]) if len(series.value) else np.nan,
                self.final(index, tail), self.final(index, 0.5), self.final(index, 1 - tail), self.alone[index, 1],
                self.parameter_deviation[index], self.reading_deviation[index], self.law_deviation[index],
                self.lost[index], self.lost_deviation[index],
            ]  # fmt: skip
            names = "".join(f"<td>{html.escape(text)}</td>" for text in (self.section, series.measure, series.prisms))
            cells = "".join(f"<td>{'' if np.isnan(value) else f'{value:.1f}'}</td>" for value in numbers)
            found.append(f"<tr>{names}{cells}</tr>")
        return found

    def pooling_rows(self, confidence: float = 0.9) -> list[dict[str, object]]:
        """Each measure's final value [mm] alone and with the other sections, and what these change."""
        tail = (1 - confidence) / 2
        rows: list[dict[str, object]] = []
        for index, (series, alone) in enumerate(zip(self.series, self.alone, strict=True)):
            low, middle, high = (self.final(index, share) for share in (tail, 0.5, 1 - tail))
            own = {"section": self.section, "measure": series.measure, "prisms": series.prisms}
            alone_ = {"alone_low_mm": alone[0], "alone_final_mm": alone[1], "alone_high_mm": alone[2]}
            pooled = {"low_mm": low, "final_mm": middle, "high_mm": high, "moved_by_others_mm": middle - alone[1]}
            narrower = {"band_over_alone": (high - low) / max(alone[2] - alone[0], 1e-9)}
            rows.append({**own, **alone_, **pooled, **narrower, "widened_by": self.widening[index]})
        return rows

    def _repr_html_(self) -> str:
        return (
            f"<p><b>{html.escape(self.section)}</b>: 90 % bands, mm since the zero reading; creep "
            f"{self.creep_share:.0%} of the movement, influence length {self.influence_length:.1f} m</p>"
            f"<table>{HTML_HEAD}{''.join(self.html_rows())}</table><p><small>{CAUTION}</small></p>"
        )

    def at(self, index: int, day: float, probability: float) -> float:
        """Quantile of the movement [mm] of one measure at a day between the first and the last date.

        Raises
        ------
        ValueFault
            The day lies before the zero reading or beyond the horizon: nothing is said of it.
        """
        self._refuse_day(day)
        return _between(day, self.dates, self.quantiles[index], probability)

    def rate_at(self, index: int, day: float, probability: float) -> float:
        """Quantile of the rate [mm/day] of one measure at a day, between dates some days apart that hold it."""
        self._refuse_day(day)
        return _between(day, self.rate_dates.mean(axis=0), self.rate_quantiles[index], probability)

    def _refuse_day(self, day: float) -> None:
        first, last = float(self.dates[0]), float(self.dates[-1])
        if not first - 1e-6 <= day <= last + 1e-6:
            raise ValueFault(
                f"day = {day:g}: expected {first:.2f} to {last:.2f}, from the zero reading to the horizon. To mend: "
                "ask for a day between, or project with a longer horizon."
            )


def _between(day: float, dates: Floats, table: Floats, probability: float) -> float:
    """Quantile at a day, from those at the dates about it alone; table (e, q)."""
    left = min(max(int(np.searchsorted(dates, day, side="right")) - 1, 0), max(len(dates) - 2, 0))
    values = [np.interp(probability, PROBABILITIES, row) for row in table[left : left + 2]]
    return float(np.interp(day, dates[left : left + 2], values))


@dataclass(frozen=True)
class Projection:
    """All sections carried to the horizon. Plain data: it pickles; ``dataset()`` gives the table as an xarray
    Dataset.

    Attributes
    ----------
    sections : dict of str to SectionProjection
        In the order of the drive; sections without a reading are absent.
    tracks : dict of str to FaceTrack
        Logged and planned faces.
    noise : Noise
        Noise of one reading, from the site's own data.
    confidence : float
        Of the bands.
    horizon_days : float
        Horizon, counted from the first stage's passage of a section.
    epoch : datetime64
        Day zero.
    data_until : float
        Day of the last data used.
    pool_factor : float
        How much the sections of this site differ over what is assumed of a site unseen.
    fingerprint : str
        Of the job's files.
    same_ground : (n, n) array
        Probability that the ground does not change between two sections, in their order; told from how they move.
    shared : dict of str to float
        Correlation of the errors of two prisms of one sweep, by axis (`evidence.shared_by_sweep`).
    timing : RoundTiming
        When in a logged round the ground is taken, by the readings.
    timings : dict of str to float
        Log evidence of each timing over the usual one, by its words; empty where no section could tell.
    """

    sections: dict[str, SectionProjection]
    tracks: dict[str, FaceTrack]
    noise: Noise
    confidence: float
    horizon_days: float
    epoch: np.datetime64
    data_until: float
    pool_factor: float
    fingerprint: str
    same_ground: Floats = field(default_factory=lambda: np.empty((0, 0)))
    shared: dict[str, float] = field(default_factory=dict)
    timing: RoundTiming = USUAL_TIMING
    timings: dict[str, float] = field(default_factory=dict)

    @property
    def timing_text(self) -> str:
        """When in a round the ground is taken, and by what that is known."""
        words = f"the ground of a round is taken {self.timing.words}"
        if not self.timings:
            return f"{words} (assumed: no section is read near the face)"
        if self.timing == USUAL_TIMING:
            return f"{words}: no other timing fits the readings much better"
        return f"{words}, by the readings near the face"

    def pooling(self) -> pd.DataFrame:
        """What the other sections do to each final value.

        Returns
        -------
        pandas.DataFrame
            A row for each measure: section, measure, prisms, the final value alone and its band, the pooled one and its
            band, by how much the others move it, how much narrower they make the band (``band_over_alone``, 1 where
            they tell nothing), the factor the band is widened by because own readings and others disagree, and the
            probability that the ground changes between this section and the one before it along the tunnel. All mm
            since the zero reading.
        """
        rows = []
        for section, change in zip(self.sections.values(), self._changes_before(), strict=True):
            rows += [{**row, "ground_change": change} for row in section.pooling_rows(self.confidence)]
        return pd.DataFrame(rows)

    def _changes_before(self) -> Floats:
        """Probability that the ground changes between each section and the one before it; NaN for the first."""
        found = np.full(len(self.sections), np.nan)
        order = np.argsort([item.chainage for item in self.sections.values()], kind="stable")
        for one, two in pairwise(order if len(self.same_ground) else order[:0]):
            found[two] = 1.0 - self.same_ground[two, one]
        return found

    def dataset(self) -> xr.Dataset:
        """Final values over (section, measure, bound), with their parts and the un-pooled values beside them."""
        labels = list(dict.fromkeys(series.label for item in self.sections.values() for series in item.series))
        names = list(self.sections)
        tail = (1 - self.confidence) / 2
        fields = {
            name: np.full((len(names), len(labels)), np.nan)
            for name in (
                "final",
                "lost",
                "lost_deviation",
                "parameter_deviation",
                "reading_deviation",
                "law_deviation",
                "alone_final",
            )
        }
        bound = np.full((len(names), len(labels), 2), np.nan)
        alone = np.full((len(names), len(labels), 2), np.nan)
        for row, item in enumerate(self.sections.values()):
            for index, series in enumerate(item.series):
                column = labels.index(series.label)
                fields["final"][row, column] = item.final(index, 0.5)
                for name in (
                    "lost",
                    "lost_deviation",
                    "parameter_deviation",
                    "reading_deviation",
                    "law_deviation",
                ):
                    fields[name][row, column] = getattr(item, name)[index]
                fields["alone_final"][row, column] = item.alone[index, 1]
                bound[row, column] = item.final(index, tail), item.final(index, 1 - tail)
                alone[row, column] = item.alone[index, [0, 2]]
        variables = {name: (("section", "measure"), values, {"units": "mm"}) for name, values in fields.items()}
        return xr.Dataset(
            {
                **variables,
                "band": (
                    ("section", "measure", "bound"),
                    bound,
                    {
                        "units": "mm",
                        "long_name": f"{self.confidence:.0%} band of the true movement at the horizon",
                    },
                ),
                "alone_band": (
                    ("section", "measure", "bound"),
                    alone,
                    {"units": "mm", "long_name": f"{self.confidence:.0%} band without the other sections"},
                ),
            },
            coords={
                "section": names,
                "measure": labels,
                "bound": ["low", "high"],
                "chainage": ("section", np.array([item.site_chainage for item in self.sections.values()])),
            },
            attrs={
                "datum": "since zero reading",
                "horizon_days": self.horizon_days,
                "confidence": self.confidence,
                "horizon_from": "the first stage's passage of the section",
                "fingerprint": self.fingerprint,
                "law": "hereditary, shapes pooled over the site",
            },
        )

    def __repr__(self) -> str:
        count = sum(len(item.series) for item in self.sections.values())
        return (
            f"Projection of {count} measures in {len(self.sections)} sections to {self.horizon_days:g} days after each "
            f"passage, {self.confidence:.0%} bands, noise of a reading {self.noise.total:.2f} mm; "
            f"{self.timing_text}"
        )

    def _repr_html_(self) -> str:
        rows = "".join(part for item in self.sections.values() for part in item.html_rows(self.confidence))
        return (
            f"<p><b>{html.escape(repr(self))}</b>; mm since the zero reading, lost and its standard deviation apart</p>"
            f"<div style='max-height:30em;overflow:auto'><table>{HTML_HEAD}{rows}</table></div>"
            f"<p><small>{CAUTION}</small></p>"
        )
