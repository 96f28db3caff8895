"""What came of the forecasts in a log: the same job with newer readings says how finals, bands and chances held."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import ndtri

from convergence.errors import ValueFault
from convergence.hindcasting.forecast import COLUMNS, LEVEL_COLUMNS
from convergence.hindcasting.forecast_log import ForecastLog
from convergence.hindcasting.hindcast import EMBARGO_DAYS
from convergence.hindcasting.outcome import LASTING, Outcome, job_outcomes
from convergence.hindcasting.result import Hindcast
from convergence.hindcasting.score import BIN_EDGES, score_probabilities
from convergence.job.times import parse_instant, shown
from convergence.survey.job import Job
from convergence.terms import CAUTION
from convergence.triggers.outlook import Outlook, outlook

#: Days from the last data within which the log holds a probability.
WINDOWS = (1.0, 3.0, 7.0)
#: Columns of the scored probabilities.
CHANCE_COLUMNS = (*LEVEL_COLUMNS, "state", "within_days")


@dataclass(frozen=True, repr=False)
class ForecastScore:
    """What came of logged forecasts. Plain data: it pickles.

    Attributes
    ----------
    hindcast : Hindcast
        The forecasts of movement in the shape of a hindcast, so that its summaries and hit rates can be asked; only
        ``ours`` and ``still`` are told of the methods.
    chances : pandas.DataFrame
        The probabilities of passing a level within ``within_days`` of the last data, and whether it was passed.
    runs : int
        Runs in the log that are of this tunnel, each forecast counted once however often it was run.
    remarks : tuple of str
        What was left out and why.
    """

    hindcast: Hindcast
    chances: pd.DataFrame
    runs: int
    remarks: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return f"ForecastScore of {self.runs} runs. {self.hindcast.sentence()}"

    @property
    def text(self) -> str:
        """The score as a person reads it."""
        table = self.hindcast.table
        lines = [f"{self.runs} logged forecasts of this tunnel", *(f"  {remark}" for remark in self.remarks)]
        lines += ["", *textwrap.wrap(self.hindcast.sentence(), 120)]
        for reason, count in table.loc[table["not_scored"] != "", "not_scored"].value_counts().items():
            lines.append(f"  not scored: {reason} ({count} of {len(table)} measures)")
        for within in WINDOWS:
            lines += self._chance_lines(within)
        return "\n".join([*lines, "", CAUTION])

    def _chance_lines(self, within: float) -> list[str]:
        rows = self.chances[self.chances["within_days"] == within]
        head = f"levels passed within {within:g} d of the last data"
        if not len(rows):
            return ["", f"{head}: nothing scored"]
        score = score_probabilities(rows["probability"].to_numpy(dtype=np.float64), rows["passed"].to_numpy(dtype=bool))
        lines = [
            "",
            f"{head}: {score.count} stated, {score.base_rate:.1%} came; Brier score {score.brier:.3f} (0 is perfect), "
            f"of the base rate {score.base_brier:.3f}",
        ]
        for low, high, count, stated, came in zip(
            BIN_EDGES[:-1], BIN_EDGES[1:], score.counts, score.stated, score.came, strict=True
        ):
            if count:
                lines.append(
                    f"  stated {low:.0%} to {high:.0%}: {count} times, {stated:.0%} on average, came {came:.0%}"
                )
        return lines


def score_forecasts(
    log: ForecastLog, job: Job, latest: Outlook | None = None, embargo: float = EMBARGO_DAYS, processes: int = 1
) -> ForecastScore:
    """Hold the forecasts of a log against what has been read since.

    A forecast of movement is asked for the day of the measure's last readings (the mean of the last two days of its
    record), straight between the days it was logged for; its band is allowed the error of those readings. A
    probability is scored once the days it is about are over and read. The same data run twice with the same version
    is one forecast.

    Parameters
    ----------
    log : ForecastLog
        The log.
    job : Job
        The job, with newer readings.
    latest : Outlook, optional
        The outlook of that job, to save making it; it tells which levels were passed.
    embargo : float
        Days between the last reading a forecast knew and the first of its outcome, at the least.
    processes : int
        Worker processes for the outlook.

    Returns
    -------
    ForecastScore
        The scored forecasts; its ``text`` is the table a person reads.

    Raises
    ------
    ValueFault
        No run in the log is of this tunnel.
    """
    name = job.settings.tunnel.name
    own = [record for record in log.records if record["tunnel"] == name]
    if not own:
        others = ", ".join(sorted({str(record["tunnel"]) for record in log.records})) or "no run at all"
        raise ValueFault(
            f"forecast log: expected runs of {name}; it holds {others}. To mend: name the log of this job."
        )
    once = list({(item["fingerprint"], item["as_of"], item["version"]): item for item in reversed(own)}.values())[::-1]
    later = [item for item in once if not _instant(item["as_of"]) <= job.now]
    known = [item for item in once if _instant(item["as_of"]) <= job.now]
    afterwards = sum(_instant(item["run"]) > job.now for item in known)
    remarks = [f"the log: {fault}" for fault in log.faults]
    if len(own) > len(once):
        remarks.append(f"{len(own) - len(once)} runs again of the same data with the same version: counted once")
    if later:
        remarks.append(f"{len(later)} of a later date than this analysis: left out")
    if afterwards:
        remarks.append(f"{afterwards} were run after the readings they are held against, with an earlier --as-of")
    if latest is None and job.settings.triggers:
        latest = outlook(job, processes=processes)
    outcomes = job_outcomes(job, latest)
    rows: list[dict[str, object]] = []
    chances: list[dict[str, object]] = []
    for record in known:
        for item in record["measures"]:
            outcome = outcomes.get((item["section"], item["label"]))
            rows.append(_row(record, item, outcome, job, embargo))
            if outcome is not None and latest is not None:
                chances += _chances(record, item, outcome, job, latest)
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    scored = pd.DataFrame(chances, columns=list(CHANCE_COLUMNS))
    longest = scored[scored["within_days"] == max(WINDOWS)]
    confidence = float(known[-1]["confidence"]) if known else job.settings.projection.confidence
    hindcast = Hindcast(table, longest[list(LEVEL_COLUMNS)].reset_index(drop=True), confidence)
    return ForecastScore(hindcast, scored, len(known), tuple(remarks))


def _instant(text: object) -> np.datetime64:
    """An instant of the log."""
    found = parse_instant(str(text))
    return np.datetime64("NaT", "ns") if found is None else found


def _row(
    record: Mapping[str, Any], item: Mapping[str, Any], outcome: Outcome | None, job: Job, embargo: float
) -> dict[str, object]:
    """One forecast of one measure as a row of a hindcast."""
    row: dict[str, object] = {name: float("nan") for name in COLUMNS}
    times, band = record["times"][item["section"]], item["band"]
    row |= {name: _known(item[name]) for name in ("chainage_m", "days", "face_distance_m", "widths")}
    row |= {name: item[name] for name in ("section", "place", "measure", "prisms", "zero_time", "last_time")}
    row |= {
        "date": record["as_of"],
        "tunnel": record["tunnel"],
        "fingerprint": record["fingerprint"],
        "version": record["version"],
        "known_until": shown(job.now),
        "confidence": record["confidence"],
        "final_time": times[-1],
        "final": _known(band["middle"][-1]),
        "final_low": _known(band["low"][-1]),
        "final_high": _known(band["high"][-1]),
        "outcome_time": "",
        "beyond": "",
        "not_scored": _why_not(item, times[-1], outcome, embargo),
    }
    if outcome is None:
        return row
    row |= {
        "outcome_time": shown(outcome.instant),
        "outcome": outcome.value,
        "outcome_deviation": outcome.deviation,
        "beyond": outcome.beyond,
    }
    if not row["not_scored"]:
        days = [_since(_instant(times[0]), _instant(time)) for time in times]
        at = _since(_instant(times[0]), outcome.instant)
        for name, part in (("ours_low", "low"), ("ours", "middle"), ("ours_high", "high")):
            row[name] = float(np.interp(at, days, [_known(value) for value in band[part]]))
        reach = float(ndtri(0.5 + record["confidence"] / 2)) * np.sqrt(2.0) * _known(item["measured_deviation"])
        last = _known(item["measured"])
        row |= {"still": last, "still_low": last - reach, "still_high": last + reach}
    return row


def _why_not(item: Mapping[str, Any], horizon: str, outcome: Outcome | None, embargo: float) -> str:
    """Why a forecast cannot be scored; empty where it can."""
    if outcome is None:
        return "no longer a measure of the job"
    if outcome.undecided != 0.0:
        return "an undecided jump in what came"
    if abs(_since(_instant(item["zero_time"]), outcome.zero)) > 1.0 / 86_400:
        return "zero reading declared anew since"
    if _since(_instant(item["last_time"]), outcome.first) < embargo:
        return f"no reading {embargo:g} days later"
    if outcome.instant > _instant(horizon):
        return "what came is later than the horizon"
    return ""


def _chances(
    record: Mapping[str, Any], item: Mapping[str, Any], outcome: Outcome, job: Job, latest: Outlook
) -> list[dict[str, object]]:
    """Probabilities whose days are over, of levels that were not past and whose passage would still show."""
    if outcome.undecided != 0.0 or abs(_since(_instant(item["zero_time"]), outcome.zero)) > 1.0 / 86_400:
        return []
    until = _instant(record["data_until"])
    read = _since(until, job.instant(latest.projection.data_until))
    now = {
        (level.trigger.name, level.level.name, level.level.value): level
        for level in latest.levels.get((item["section"], item["label"]), ())
    }
    found: list[dict[str, object]] = []
    for said in item["levels"]:
        level = now.get((said["trigger"], said["level"], said["value"]))
        # a level that was changed since is another level; a rate that has fallen again does not show
        if level is None or said["past"] or said["quantity"] not in LASTING:
            continue
        crossed = _since(until, job.instant(level.crossing)) if level.past else np.inf
        for within in WINDOWS:
            chance = said[f"probability_{within:g}d"]
            if chance is None or read < within:
                continue
            found.append(
                {
                    "date": record["as_of"],
                    "section": item["section"],
                    "place": item["place"],
                    "measure": item["measure"],
                    "prisms": item["prisms"],
                    "widths": _known(item["widths"]),
                    "trigger": said["trigger"],
                    "level": said["level"],
                    "outcome_time": shown(outcome.instant),
                    "probability": float(chance),
                    "passed": bool(crossed <= within),
                    "warning": said.get("warning", ""),
                    "state": said["state"],
                    "within_days": within,
                }
            )
    return found


def _since(first: np.datetime64, last: np.datetime64) -> float:
    """Days from one instant to another."""
    return float((last - first) / np.timedelta64(1, "s")) / 86_400


def _known(value: object) -> float:
    """A number of the log; NaN where it holds none."""
    return float("nan") if value is None else float(str(value))
