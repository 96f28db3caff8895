"""How past forecasts did: projected again from every past date with only what was known then, and scored."""

from convergence.hindcasting.forecast_log import ForecastLog, append_forecast, read_forecasts
from convergence.hindcasting.hindcast import EMBARGO_DAYS, hindcast
from convergence.hindcasting.log_score import ForecastScore, score_forecasts
from convergence.hindcasting.result import Hindcast, HitRate
from convergence.hindcasting.score import (
    ProbabilityScore,
    allowed_band,
    interval_score,
    relative_error,
    score_probabilities,
)
from convergence.hindcasting.table import age_sentence, hindcast_csv, hindcast_text, levels_csv, read_hindcast

__all__ = [
    "EMBARGO_DAYS",
    "ForecastLog",
    "ForecastScore",
    "Hindcast",
    "HitRate",
    "ProbabilityScore",
    "age_sentence",
    "allowed_band",
    "append_forecast",
    "hindcast",
    "hindcast_csv",
    "hindcast_text",
    "interval_score",
    "levels_csv",
    "read_forecasts",
    "read_hindcast",
    "relative_error",
    "score_forecasts",
    "score_probabilities",
]
