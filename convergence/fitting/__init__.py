"""Fitting laws to readings: one curve with lmfit, the whole tunnel in numpy, and what may be said of it.

Importing this package does not import lmfit; the first single fit does.
"""

from __future__ import annotations

from convergence.fitting.batch import fit_batch
from convergence.fitting.curve import CurveFit, fit_series
from convergence.fitting.outcome import Outcome
from convergence.fitting.portfolio import fit_dataset
from convergence.fitting.precision import Precision
from convergence.fitting.sections import fit_sections
from convergence.fitting.setup import ALL_STAGES, DEFAULT_LAW
from convergence.fitting.status import NO_SUCH_MEASURE, Evidence, FitStatus, diagnose
from convergence.fitting.tunnel import fit_all
from convergence.fitting.values import ValuesFit, fit_values

__all__ = [
    "ALL_STAGES",
    "DEFAULT_LAW",
    "NO_SUCH_MEASURE",
    "CurveFit",
    "Evidence",
    "FitStatus",
    "Outcome",
    "Precision",
    "ValuesFit",
    "diagnose",
    "fit_all",
    "fit_batch",
    "fit_dataset",
    "fit_sections",
    "fit_series",
    "fit_values",
]
