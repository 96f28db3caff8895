"""Every level of every trigger against every measure, one row each: when it is passed, how likely, by which stage."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from convergence.job.times import shown
from convergence.measures.series import Series
from convergence.projection.result import SectionProjection
from convergence.survey.job import Job
from convergence.triggers.amounts import amount_text, level_text
from convergence.triggers.changes import Change
from convergence.triggers.quantities import scale
from convergence.triggers.reason_words import causing_stage
from convergence.triggers.reasons import state_and_reason
from convergence.triggers.silence import active_stage
from convergence.triggers.standing import LevelOutlook
from convergence.triggers.urgency import urgency

COLUMNS = (
    "section",
    "chainage_m",
    "measure",
    "prisms",
    "trigger",
    "quantity",
    "since",
    "level",
    "level_value",
    "unit",
    "value",
    "estimated",
    "probability",
    "probability_1d",
    "probability_3d",
    "probability_7d",
    "crossing_early",
    "crossing",
    "crossing_late",
    "stage",
    "lead_days",
    "state",
    "unconfirmed",
    "owner",
    "action",
    "warning",
    "reason",
    "value_text",
    "level_text",
)
#: What tells a row from all others.
KEY = ("section", "measure", "prisms", "trigger", "level")


def passage_rows(
    job: Job,
    series: Series,
    section: SectionProjection | None,
    levels: tuple[LevelOutlook, ...],
    today: float,
    surprise: float = 0.0,
    changes: Sequence[Change] = (),
) -> list[dict[str, object]]:
    """Rows of one measure, with ``_urgency`` beside the columns.

    Parameters
    ----------
    job : Job
        The job.
    series : Series
        A measure with at least one reading.
    section : SectionProjection or None
        Its section carried to the horizon.
    levels : tuple of LevelOutlook
        All levels of all triggers that apply to it.
    today : float
        Day of the last data, from which leads are counted.
    surprise : float
        How far the last reading is from what those before it led to expect [mm]; 0 where it is as expected.
    changes : sequence of Change
        What was found in its readings lately.
    """
    rows: list[dict[str, object]] = []
    for item in levels:
        # the sentence of a passage tells what comes next; any other is about its own level
        own = tuple(other for other in levels if other.trigger is item.trigger) if item.past else (item,)
        state, reason = state_and_reason(job, series, item, own, section, surprise, changes)
        one_day, three_days, week = item.soon
        lead = 0.0 if item.past else max(item.crossing - today, 0.0) if np.isfinite(item.crossing) else float("nan")
        stage = active_stage(series, item.crossing)[0] if item.past else causing_stage(series, item, section)
        if state == "heading" and not stage:
            # by the present rate, not by a stage that is projected
            stage = active_stage(series, float(series.time[-1]))[0]
        rows.append(
            {
                "section": series.section,
                "chainage_m": series.chainage,
                "measure": series.measure,
                "prisms": series.prisms,
                "trigger": item.trigger.name,
                "quantity": "movement" if item.trigger.quantity == "value" else item.trigger.quantity,
                "since": item.trigger.since,
                "level": item.level.name,
                "level_value": item.level.value,
                "unit": item.trigger.unit,
                "value": item.value,
                "estimated": 0.0 if item.trigger.quantity == "rate" else item.estimated / scale(item.trigger, series),
                "probability": item.probability,
                "probability_1d": one_day,
                "probability_3d": three_days,
                "probability_7d": week,
                "crossing_early": shown(job.instant(item.early)),
                "crossing": shown(job.instant(item.crossing)),
                "crossing_late": shown(job.instant(item.late)),
                "stage": stage,
                "lead_days": lead,
                "state": state,
                "unconfirmed": bool(item.unconfirmed or (surprise and not item.past)),
                "owner": item.trigger.owner,
                "action": item.trigger.action,
                "warning": item.warning,
                "reason": reason,
                "value_text": amount_text(item.value, item.trigger, item.level),
                "level_text": level_text(item.trigger, item.level),
                "_urgency": urgency(state, item, today, own, () if surprise else changes),
            }
        )
    return rows


def passages_table(rows: list[dict[str, object]]) -> pd.DataFrame:
    """The rows of all measures, most urgent first."""
    table = pd.DataFrame(rows, columns=[*COLUMNS, "_urgency"])
    table["unconfirmed"] = table["unconfirmed"].astype(bool)
    table = table.sort_values("_urgency", ascending=False, kind="stable")
    return table.drop(columns="_urgency").reset_index(drop=True)


def new_passages(before: pd.DataFrame, after: pd.DataFrame) -> pd.DataFrame:
    """Levels past in a later outlook that were not past in an earlier one, of every trigger.

    The state of a measure is about its gravest level alone; here each level of each trigger counts for itself. A level
    that was past at a smaller value, and was raised since, is past anew.

    Parameters
    ----------
    before, after : pandas.DataFrame
        ``Outlook.passages`` of the two.

    Returns
    -------
    pandas.DataFrame
        Rows of ``after``, most urgent first; ``KEY`` tells one from another.
    """
    known = {
        tuple(row[name] for name in KEY): abs(float(row["level_value"]))
        for row in before.to_dict("records")
        if row["state"] == "past"
    }
    new = [
        row["state"] == "past"
        and not known.get(tuple(row[name] for name in KEY), -1.0) >= abs(float(row["level_value"])) - 1e-9
        for row in after.to_dict("records")
    ]
    return after[np.array(new, dtype=bool)].reset_index(drop=True)
