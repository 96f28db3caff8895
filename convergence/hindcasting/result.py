"""Scored forecasts: the log, its summary, and what it says in a sentence."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from convergence.errors import ValueFault
from convergence.hindcasting.forecast import METHODS
from convergence.hindcasting.score import (
    ProbabilityScore,
    allowed_band,
    interval_score,
    relative_error,
    score_probabilities,
)

#: Face distances in tunnel widths the summary tells; each takes the forecasts nearest to it, within a factor of 1.41.
WIDTHS = (0.5, 1.0, 2.0, 4.0)
#: Edges of the days of data the summary tells [days].
DAYS = (0.0, 3.0, 7.0, 14.0, 30.0, 60.0, np.inf)
#: Sections that count as the first of the drive.
FIRST_SECTIONS = 3
#: Measures that are summed up unless others are asked for; the components of a prism mostly end near zero.
MEASURES = ("settlement", "chord")
#: With fewer scored forecasts than this at a face distance, a hit rate is told over all distances.
FEWEST = 8

Only = Literal["all", "first", "beyond"]
By = Literal["widths", "days", "all"]
SUMMARY_COLUMNS = (
    "group",
    "method",
    "forecasts",
    "sections",
    "median_error",
    "p90_error",
    "held",
    "missing",
    "interval_score",
)


@dataclass(frozen=True)
class HitRate:
    """How often the stated bands of past forecasts held, and how far off the forecasts were.

    Attributes
    ----------
    sentence : str
        In words.
    measure : str
        The measure; empty for all that are summed up.
    widths : float
        Face distance in tunnel widths; NaN where over all.
    confidence : float
        Stated.
    forecasts, sections : int
        Scored; forecasts of one section share their outcome and are not independent.
    held : float
        Share of outcomes inside the band; NaN without a forecast.
    median_error : float
        Median error relative to the larger of the outcome and 10 mm; NaN without a forecast.
    """

    sentence: str
    measure: str
    widths: float
    confidence: float
    forecasts: int
    sections: int
    held: float
    median_error: float


@dataclass(frozen=True, repr=False)
class Hindcast:
    """Past forecasts of a job, with what came of them. Plain data: it pickles.

    Attributes
    ----------
    table : pandas.DataFrame
        The prediction log, a row for each date and measure; columns as in ``forecast.COLUMNS``. Movements in mm since
        the zero reading, lengths in m, times in UTC. ``final`` is what was said of the horizon; ``ours``, ``alone``,
        ``coupled``, ``decay`` and ``still`` what each method said of the day of the outcome, with the band stated.
    levels : pandas.DataFrame
        The log of levels: probability of passing each by the day of the outcome, and whether it was passed.
    confidence : float
        Of the bands.
    refused : tuple of (str, str)
        Dates at which the job could not be projected, and why.
    """

    table: pd.DataFrame
    levels: pd.DataFrame
    confidence: float
    refused: tuple[tuple[str, str], ...] = ()

    @property
    def scored(self) -> pd.DataFrame:
        """Rows of the log that could be scored."""
        return self.table[self.table["not_scored"] == ""]

    def of_tunnel(self, name: str) -> bool:
        """Whether the forecasts are of a tunnel of this name."""
        return bool(len(self.table)) and bool((self.table["tunnel"] == name).all())

    @property
    def known_until(self) -> str:
        """The instant of the analysis the outcomes are from, UTC; empty where there is no forecast."""
        return str(self.table["known_until"].iloc[0]) if len(self.table) else ""

    def rows(self, only: Only = "all", measures: Sequence[str] = MEASURES) -> pd.DataFrame:
        """Scored rows of some measures: all, those of the first sections, or of sections that ended beyond a level."""
        if only not in ("all", "first", "beyond"):
            raise ValueFault(f"only = '{only}': expected 'all', 'first' or 'beyond'. To mend: give one of the three.")
        found = self.scored
        if only == "first":
            found = found[found["place"] < FIRST_SECTIONS]
        elif only == "beyond":
            ended = self.table.loc[self.table["beyond"] != "", "section"].unique()
            found = found[found["section"].isin(ended)]
        return found[found["measure"].isin(list(measures))]

    def summary(self, by: By = "widths", only: Only = "all", measures: Sequence[str] = MEASURES) -> pd.DataFrame:
        """Errors and hit rates by method.

        Parameters
        ----------
        by : {"widths", "days", "all"}
            Grouped by face distance in tunnel widths, by days of data, or not.
        only : {"all", "first", "beyond"}
            All sections, the first three of the drive, or those that ended beyond a level.
        measures : sequence of str
            Measures counted.

        Returns
        -------
        pandas.DataFrame
            A row for each group and method: forecasts, sections, median and 90th percentile of the error relative to
            the larger of the outcome and 10 mm, share of outcomes inside the band, share of forecasts without a band,
            mean interval score [mm]. The outcome's own error of reading is allowed for in every band. The coupled
            law is fitted to chords only, and is summed up over those.
        """
        found = self.rows(only, measures)
        records = []
        for name, group in _groups(found, by):
            for method in METHODS:
                records.append((name, method, *_scores(group, method, self.confidence)))
        return pd.DataFrame(records, columns=list(SUMMARY_COLUMNS))

    def probabilities(self) -> ProbabilityScore:
        """Brier score and reliability of the outlook's probabilities of passing a level."""
        return score_probabilities(
            self.levels["probability"].to_numpy(dtype=np.float64), self.levels["passed"].to_numpy(dtype=bool)
        )

    def hit_rate(self, widths: float | None = None, measure: str | None = None) -> HitRate:
        """How past forecasts like one at hand did: of the same measure, the face about as far.

        Parameters
        ----------
        widths : float, optional
            Face distance in tunnel widths; over all distances unless given, or where too few were scored.
        measure : str, optional
            The measure; settlements and chords together unless given.

        Returns
        -------
        HitRate
            A sentence and its numbers.
        """
        rows = self.rows(measures=MEASURES if measure is None else (measure,))
        at = float("nan")
        if widths is not None and np.isfinite(widths) and widths > 0 and len(rows):
            near = rows[_near(rows, min(WIDTHS, key=lambda each: abs(np.log(each / widths))))]
            if len(near) >= FEWEST:
                rows, at = near, min(WIDTHS, key=lambda each: abs(np.log(each / widths)))
        count, sections, median, _, held, _, _ = _scores(rows, "ours", self.confidence)
        what = f"{measure or 'settlement and chord'} forecasts of this site"
        where = f" made with the face about {at:g} widths past" if np.isfinite(at) else ""
        if not count:
            sentence = f"No past {what} can be scored yet."
        else:
            sentence = (
                f"Of {count} past {what}{where} ({_plural(int(sections), 'section')}), the {self.confidence:.0%} bands "
                f"held {held:.0%}, and half were less than {_percent(median)} off."
            )
        return HitRate(sentence, measure or "", at, self.confidence, int(count), int(sections), held, median)

    def sentence(self) -> str:
        """What came of the past forecasts, as a person would say it."""
        rows = self.rows()
        if not len(rows):
            return f"No forecast of this site can be scored yet: {self._why_none()}."
        ours = self.summary()
        ours = ours[(ours["method"] == "ours") & (ours["forecasts"] > 0)]
        parts = [
            f"{_percent(error)} at {group}" for error, group in zip(ours["median_error"], ours["group"], strict=True)
        ]
        count, sections, median, _, held, _, _ = _scores(rows, "ours", self.confidence)
        still = _scores(rows, "still", self.confidence)[2]
        by_distance = f" ({', '.join(parts)} tunnel widths of face distance)" if parts else ""
        return (
            f"{int(count)} past forecasts of settlement and chord in {_plural(int(sections), 'section')} were scored: "
            f"half were less than {_percent(median)} off{by_distance}, where 'no more movement' was "
            f"{_percent(still)} off; the stated {self.confidence:.0%} bands held {held:.0%} of the time."
        )

    def _why_none(self) -> str:
        if len(self.table):
            reasons = self.table.loc[self.table["measure"].isin(MEASURES), "not_scored"].value_counts()
            told = ", ".join(f"{reason} ({count})" for reason, count in reasons.items() if reason)
            return told or "the job has neither settlement nor chord"
        if self.refused:
            return f"at no date could the job be projected ({self.refused[-1][1]})"
        return "the record is too short for a date to forecast from"

    def __repr__(self) -> str:
        dates = self.table["date"].nunique()
        return f"Hindcast of {dates} dates, {len(self.scored)} of {len(self.table)} forecasts scored. {self.sentence()}"


def _near(rows: pd.DataFrame, widths: float) -> npt.NDArray[np.bool_]:
    """Rows whose face distance is nearest to one of those told."""
    at = rows["widths"].to_numpy(dtype=np.float64)
    return np.asarray((at > widths / np.sqrt(2.0)) & (at <= widths * np.sqrt(2.0)))


def _groups(rows: pd.DataFrame, by: By) -> list[tuple[str, pd.DataFrame]]:
    """Rows by group, empty groups too: a table with a line missing hides that nothing stands there."""
    if by == "widths":
        return [(f"{widths:g}", rows[_near(rows, widths)]) for widths in WIDTHS]
    if by == "days":
        found = []
        for low, high in itertools.pairwise(DAYS):
            name = f"{low:g} to {high:g}" if np.isfinite(high) else f"over {low:g}"
            found.append((name, rows[(rows["days"] >= low) & (rows["days"] < high)]))
        return found
    if by == "all":
        return [("all", rows)]
    raise ValueFault(f"by = '{by}': expected 'widths', 'days' or 'all'. To mend: give one of the three.")


def _scores(rows: pd.DataFrame, method: str, confidence: float) -> tuple[int, int, float, float, float, float, float]:
    """Forecasts, sections, median and 90th percentile error, share held, share without a band, interval score."""
    if method == "coupled":
        # where it was not fitted it has not failed
        rows = rows[rows["measure"] == "chord"]
        rows = rows if rows["coupled"].notna().any() else rows[:0]
    nothing = float("nan")
    if not len(rows):
        return 0, 0, nothing, nothing, nothing, nothing, nothing
    middle, low, high = (rows[f"{method}{part}"].to_numpy(dtype=np.float64) for part in ("", "_low", "_high"))
    outcome = rows["outcome"].to_numpy(dtype=np.float64)
    low, high = allowed_band(low, middle, high, rows["outcome_deviation"].to_numpy(dtype=np.float64), confidence)
    error = relative_error(middle, outcome)
    banded = np.isfinite(low) & np.isfinite(high)
    held = (low <= outcome) & (outcome <= high)
    scores = interval_score(low, high, outcome, confidence)
    return (
        len(rows),
        int(rows["section"].nunique()),
        float(np.quantile(error, 0.5, method="inverted_cdf")),
        float(np.quantile(error, 0.9, method="inverted_cdf")),
        float(held[banded].mean()) if banded.any() else nothing,
        float(1.0 - banded.mean()),
        float(scores[banded].mean()) if banded.any() else nothing,
    )


def _percent(share: float) -> str:
    return f"{share:.0%}" if share < 10.0 else "more than 999 %"


def _plural(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"
