"""Results of many fits put into one table, array by array."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import xarray as xr

from convergence.fitting.outcome import AT_BOUND, FREE, HELD
from convergence.fitting.section_fit import Question
from convergence.fitting.section_precision import SectionFits
from convergence.fitting.section_status import plainly_solved, worded
from convergence.fitting.status import NO_SUCH_MEASURE, FitStatus
from convergence.fitting.tunnel import fit_table
from convergence.measures.series import Series

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


class SectionTable:
    """The table of fits while it is filled.

    Parameters
    ----------
    series : Sequence of Series
    question : Question
    """

    def __init__(self, series: Sequence[Series], question: Question) -> None:
        self.question = question
        names = [p.name for p in question.law.parameters]
        self.free_names = [name for name in names if name not in question.held] + ["zero_offset_0"]
        self.segments = max((int(each.segment[-1]) + 1 for each in series if each.readings), default=1)
        sections = {name: k for k, name in enumerate(dict.fromkeys(each.section for each in series))}
        labels = {name: k for k, name in enumerate(dict.fromkeys(each.label for each in series))}
        self.frame = [(each.width, each.span if each.span > 0 else 1.0) for each in series]
        self.row = np.array([sections[each.section] for each in series])
        self.column = np.array([labels[each.label] for each in series])
        cell = len(sections), len(labels)
        each_one = *cell, len(names) + self.segments
        keys = ("estimate", "standard_error", "lower_bound", "upper_bound")
        self.numbers = {key: np.full(each_one, np.nan) for key in keys}
        self.correlation = np.full((*each_one, each_one[-1]), np.nan)
        self.role = np.full(each_one, "", dtype=object)
        self.texts = {key: np.full(cell, "", dtype=object) for key in ("prisms", "kind", "reason")}
        self.texts["status"] = np.full(cell, NO_SUCH_MEASURE, dtype=object)
        for name, row in sections.items():
            self.texts["reason"][row] = [f"section {name} has no {label}" for label in labels]
        for key, words in (("prisms", [one.prisms for one in series]), ("kind", [one.measure for one in series])):
            self.texts[key][self.row, self.column] = words
        self.scalars = {key: np.full(cell, np.nan) for key in ("rss", "sigma")}
        self.counts = {key: np.zeros(cell, dtype=np.int32) for key in ("readings", "degrees_of_freedom")}
        self.counts["readings"][self.row, self.column] = [one.readings for one in series]

    def refuse(self, place: int, reason: str) -> None:
        """Say why a series has no fit."""
        at = self.row[place], self.column[place]
        self.texts["status"][at], self.texts["reason"][at] = FitStatus.TOO_FEW_READINGS.value, reason

    def enter(self, places: IntArray, fits: SectionFits, low: FloatArray, high: FloatArray) -> None:
        """Enter the fits of a group of sections.

        Parameters
        ----------
        places : ndarray of int, shape (s, m)
            Which series they are.
        fits : SectionFits
        low, high : ndarray, shape (s, m, q)
            Bounds of the shapes of each series.
        """
        law = self.question.law
        at = self.row[places.ravel()], self.column[places.ravel()]
        flat = {name: value.reshape(places.size, *value.shape[2:]) for name, value in vars(fits).items()}
        count = flat["estimate"].shape[1]
        self.numbers["estimate"][(*at, slice(count))] = flat["estimate"]
        self.numbers["standard_error"][(*at, slice(count))] = flat["standard_error"]
        self.correlation[(*at, slice(count), slice(count))] = flat["correlation"]
        role = np.where(flat["free"], np.where(flat["at_bound"], AT_BOUND, FREE), HELD).astype(object)
        there = np.arange(count) < len(law.parameters)
        self.role[(*at, slice(count))] = np.where(there | flat["free"], role, "")
        lower, upper = np.full(flat["estimate"].shape, -np.inf), np.full(flat["estimate"].shape, np.inf)
        ratio = 0
        for place, parameter in enumerate(law.parameters):
            if parameter.kind == "ratio":
                lower[:, place], upper[:, place] = 0.0, self.question.upper[ratio]
                ratio += 1
            elif parameter.name in self.question.names:
                which = self.question.names.index(parameter.name)
                lower[:, place], upper[:, place] = low[..., which].ravel(), high[..., which].ravel()
            elif parameter.kind != "amplitude":
                frames = [self.frame[one] for one in places.ravel()]
                known = {frame: law.bounds(parameter.name, *frame) for frame in set(frames)}
                lower[:, place], upper[:, place] = np.array([known[frame] for frame in frames]).T
        present = there | flat["free"]
        self.numbers["lower_bound"][(*at, slice(count))] = np.where(present, lower, np.nan)
        self.numbers["upper_bound"][(*at, slice(count))] = np.where(present, upper, np.nan)
        for key, value in (("rss", flat["rss"]), ("sigma", flat["sigma"])):
            self.scalars[key][at] = value
        self.counts["degrees_of_freedom"][at] = flat["spare"]
        plain = plainly_solved(fits, len(law.parameters))
        self.texts["status"][at], self.texts["reason"][at] = FitStatus.SOLVED.value, ""
        bounds = low.reshape(places.size, -1), high.reshape(places.size, -1)
        width = fits.rss.shape[1]
        for one in np.flatnonzero(~plain.ravel()):
            status, reason = worded(
                self.question, fits, (int(one) // width, int(one) % width), bounds[0][one], bounds[1][one]
            )
            here = at[0][one], at[1][one]
            self.texts["status"][here], self.texts["reason"][here] = status.value, reason

    def table(self) -> xr.Dataset:
        """The table as far as it is filled, without coordinates."""
        return fit_table(self.numbers, self.role, self.correlation, {**self.scalars, **self.counts}, self.texts)
