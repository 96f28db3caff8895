"""The job: a folder read, reduced to the tunnel's axes, zeroed and screened; every decision logged."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from convergence.errors import Fault, JobError, ValueFault
from convergence.job.account import Account
from convergence.job.findings import Finding
from convergence.job.plain_rows import Parsed
from convergence.job.reading import JobFolder, read_folder
from convergence.job.schema import Settings
from convergence.job.stationing import Stationing
from convergence.job.times import days_since, shown
from convergence.laws.path import FacePath
from convergence.survey.alignment import Alignment
from convergence.survey.arrays import build_array, section_chainage
from convergence.survey.clocks import clocks_corrected
from convergence.survey.common import without_common
from convergence.survey.copied_blocks import copied_blocks
from convergence.survey.copies import copied_readings, frozen_readings
from convergence.survey.decisions import decision_table
from convergence.survey.lost_starts import lost_starts
from convergence.survey.misnamed import set_swaps_aside, successors
from convergence.survey.misplaced import misplaced
from convergence.survey.mistyped_rows import in_their_time
from convergence.survey.naming import renamed
from convergence.survey.other_units import unit_faults
from convergence.survey.reduction import build_alignment, far_readings, reduce_readings
from convergence.survey.restarts import movement_restarted
from convergence.survey.screens import blind_spells, daily_cycle
from convergence.survey.station import common_movement
from convergence.survey.strangers import strangers
from convergence.terms import CAUTION


@dataclass(frozen=True)
class Job:
    """A tunnel's readings, ready to be measured and fitted. Plain data: it pickles.

    Attributes
    ----------
    folder : JobFolder
        What was read, raw readings included, as they stand in the files.
    arrays : mapping of str to xarray.Dataset
        A section's array by name, in the order of the drive: ``raw`` and ``movement`` (epoch, prism, axis)
        [mm], ``used``, ``segment``, ``offset`` and ``face_distance`` (epoch, stage) [m].
    account : Account
        Every row read: used, or set aside with a reason.
    findings : tuple of Finding
        What was noticed, with what was done about it.
    alignment : Alignment or None
        The alignment, where the job gives one.
    epoch : datetime64
        Day zero of all ``days``.
    """

    folder: JobFolder
    arrays: Mapping[str, xr.Dataset]
    account: Account
    findings: tuple[Finding, ...]
    alignment: Alignment | None
    epoch: np.datetime64

    @cached_property
    def made(self) -> dict[str, tuple[Callable[[], object], ...]]:
        """Ways to what has been made of a section, while somebody still has it; see ``measure_section``."""
        return {}

    def __getstate__(self) -> dict[str, object]:
        """The job without what was made of it."""
        return {name: value for name, value in self.__dict__.items() if name != "made"}

    @property
    def settings(self) -> Settings:
        """Everything ``tunnel.toml`` says."""
        return self.folder.settings

    @property
    def stationing(self) -> Stationing:
        """The chainage equations: chainages inside are continuous, those of files and tables are the site's."""
        return self.settings.stationing

    def site_chainage(self, chainage: float) -> float:
        """A continuous chainage [m] as the site writes it; the same where the job has no chainage equation."""
        return float(self.stationing.site(chainage)[0]) if self.stationing else chainage

    @property
    def sections(self) -> tuple[str, ...]:
        """Names of the sections in the order of the drive."""
        return tuple(self.arrays)

    @property
    def now(self) -> np.datetime64:
        """The instant of the analysis: ``as_of``, else the last instant in the data, UTC."""
        return self.folder.now

    @property
    def raw(self) -> pd.DataFrame:
        """Raw readings as read, in inside units, with file and line."""
        return self.folder.readings

    @property
    def set_aside(self) -> pd.DataFrame:
        """Rows set aside, with file, line and reason."""
        return self.account.rows_set_aside

    @property
    def decisions(self) -> pd.DataFrame:
        """Every decision about the data, a row each: what, why, how large, what was done, how to turn it over."""
        return decision_table(self.findings, self.account, self.folder, self.epoch)

    @property
    def tree(self) -> xr.DataTree:
        """The arrays as an xarray tree, a node a section."""
        nodes: dict[str, xr.Dataset] = {f"/{name.replace('/', '_')}": array for name, array in self.arrays.items()}
        return xr.DataTree.from_dict(nodes, name=self.settings.tunnel.name)

    def array(self, section: str) -> xr.Dataset:
        """The array of a section; an unknown name is an error that lists the names."""
        if section not in self.arrays:
            raise ValueFault(f"section '{section}' is not in the job; its sections are {', '.join(self.arrays)}")
        return self.arrays[section]

    def paths(self, chainage: float) -> dict[str, FacePath]:
        """How the face of each stage with a log moved past a chainage, by stage in the order of the job."""
        return face_paths(self.folder, chainage, self.epoch)

    def days(self, instant: np.datetime64) -> float:
        """Days from the job's epoch to an instant."""
        return float(days_since(np.array([instant], dtype="datetime64[ns]"), self.epoch)[0])

    def instant(self, days: float) -> np.datetime64:
        """The instant a number of days after the job's epoch; NaT where the days are not finite."""
        if not np.isfinite(days):
            return np.datetime64("NaT", "ns")
        return self.epoch + np.timedelta64(round(days * 86_400), "s")

    def _summary(self) -> list[tuple[str, str]]:
        table = self.account.table
        aside = self.set_aside
        reasons = aside["reason"].value_counts()
        span = [array["time"].values for array in self.arrays.values() if array.sizes["epoch"]]
        first, last = (
            (min(time[0] for time in span), max(time[-1] for time in span)) if span else (self.epoch, self.epoch)
        )
        return [
            ("tunnel", self.settings.tunnel.name),
            ("sections", f"{len(self.arrays)}, with {len(self.folder.prisms)} prisms"),
            (
                "stages",
                ", ".join(f"{name} ({len(log)} rounds)" for name, log in self.folder.advance.items()) or "none",
            ),
            ("readings", f"{shown(first)} to {shown(last)}"),
            ("analysed at", shown(self.now)),
            (
                "rows read",
                f"{int(table['read'].sum())} = {int(table['used'].sum())} used + {len(aside)} set aside",
            ),
            ("set aside", ", ".join(f"{count} {reason}" for reason, count in reasons.items()) or "none"),
            ("findings", f"{len(self.findings)}"),
        ]

    def __repr__(self) -> str:
        lines = [f"Job {self.folder.path}"] + [f"  {name:<12} {value}" for name, value in self._summary()]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        import html  # only a notebook asks for this

        rows = "".join(
            f"<tr><th style='text-align:left'>{name}</th><td style='text-align:left'>{html.escape(value)}</td></tr>"
            for name, value in self._summary()
        )
        caption = f"<caption>{html.escape(self.folder.path)}</caption>"
        return f"<table>{caption}{rows}</table><p><small>{CAUTION}</small></p>"


def face_paths(folder: JobFolder, chainage: float, epoch: np.datetime64) -> dict[str, FacePath]:
    """How the face of each stage with a log moved past a chainage [m], by stage in the order of the job."""
    stages = [stage.name for stage in folder.settings.stages if len(folder.advance.get(stage.name, ()))]
    return {name: FacePath(*folder.advance[name].face_distance_nodes(chainage, epoch)) for name in stages}


def read_job(path: str | Path, as_of: str | np.datetime64 | None = None, parsed: Parsed | None = None) -> Job:
    """Read a job folder and make it ready: reduced to the tunnel's axes, zeroed, screened, accounted for.

    Parameters
    ----------
    path : str or Path
        The job folder.
    as_of : str or datetime64, optional
        Read nothing later than this instant: no reading, round or event. Text is ISO 8601 with an offset or
        Z.
    parsed : dict, optional
        Empty at first, it keeps the rows of readings files between calls: of several dates of one folder each file
        is parsed once. Where the bytes have changed it is parsed again, so the job is the same with it and without.

    Returns
    -------
    Job
        The job; its repr tells sections, prisms, span and rows set aside.

    Raises
    ------
    JobError
        The folder cannot be used; every fault is told with file, line, value, what was expected and how to
        mend it.
    """
    folder = read_folder(path, as_of, parsed)
    account = folder.account.copy()
    findings = list(folder.findings)
    folder = clocks_corrected(folder, account, findings)
    folder = in_their_time(folder, account, findings)
    folder = renamed(folder, account, findings)
    alignment = _alignment(folder)
    epoch = _epoch(folder)
    movement, off = reduce_readings(folder, alignment)
    faults = unit_faults(folder, alignment, movement)
    if faults:
        raise JobError(folder.path, faults)
    order = _drive_order(folder)
    stages = [stage.name for stage in folder.settings.stages]
    arrays: dict[str, xr.Dataset] = {}
    member = {
        section: [index for index, prism in enumerate(folder.prisms) if prism.section == section] for section in order
    }
    prism_rows = _rows_by_prism(folder)
    rows_of = {name: np.sort(np.concatenate([prism_rows[index] for index in member[name]])) for name in order}
    taken = np.zeros(len(folder.readings), dtype=bool)
    now = folder.now
    for section in order:
        rows = rows_of[section]
        taken[rows] = set_swaps_aside(folder, section, member[section], rows, movement, account, findings)
        findings.extend(successors(folder, section, member[section], rows))
    if taken.any():
        off = far_readings(folder, movement, ~taken)
    findings.extend(strangers(folder))
    findings.extend(misplaced(folder, movement, epoch, alignment))
    for section in order:
        rows = rows_of[section]
        chainage = section_chainage([folder.prisms[index] for index in member[section]])
        paths = face_paths(folder, chainage, epoch)
        array = build_array(
            folder, section, member[section], rows, movement, off, taken, paths, stages, epoch, account, findings
        )
        array.attrs["epoch"] = str(epoch)
        arrays[section] = array
        findings.extend(blind_spells(section, array, now))
    # the arrays have what they need of it, and it is as large as the readings
    del movement, off, taken
    findings.extend(lost_starts(folder, arrays, account))
    _check_before_face(folder, account)
    if not any(bool(array["used"].values.any()) for array in arrays.values()):
        raise JobError(folder.path, [_no_reading(folder, account)])
    copied = [*copied_readings(folder.readings, folder.prisms), *frozen_readings(folder.readings, folder.prisms)]
    findings.extend([*copied, *copied_blocks(folder.readings, folder.prisms, copied)])
    arrays, common = without_common(arrays, common_movement(arrays, list(order)), folder.events)
    findings.extend(common)
    findings.extend(daily_cycle(arrays))
    findings.extend(movement_restarted(folder, arrays))
    return Job(folder, arrays, account, tuple(findings), alignment, epoch)


def _alignment(folder: JobFolder) -> Alignment | None:
    """The alignment of the job; one that cannot be built is a fault of the settings file."""
    if folder.settings.alignment is None:
        return None
    try:
        return build_alignment(folder.settings.alignment)
    except ValueFault as error:
        source = folder.settings.alignment.source
        mend = "correct the [[alignment]] and [[profile]] tables"
        if source:
            mend = "correct the element in the file, or export the alignment again"
        file, what = (source, "Alignment") if source else ("tunnel.toml", "alignment")
        fault = Fault(file, None, what, "", f"an alignment that can be built ({error})", mend)
        raise JobError(folder.path, [fault]) from error


def _check_before_face(folder: JobFolder, account: Account) -> None:
    """Raise where most readings were taken before the face came: then the faces are wrong and not the readings."""
    aside = account.rows_set_aside
    early = aside[aside["reason"] == "before the face"]
    if len(early) <= 0.5 * len(folder.readings):
        return
    first = early.iloc[0]
    expected = (
        f"readings after the face reached their sections ({len(early)} of {len(folder.readings)} were taken before, "
        f"the first of {first['prism']})"
    )
    mend = "check drive, the unit of chainage in advance.csv and prisms.csv, and the times"
    fault = Fault(str(first["file"]), int(first["line"]), "time", shown(np.datetime64(first["time"])), expected, mend)
    raise JobError(folder.path, [fault])


def _no_reading(folder: JobFolder, account: Account) -> Fault:
    """The fault of a job whose readings were all set aside, with the first of them."""
    aside = account.rows_set_aside
    aside = aside[aside["file"].isin(folder.files) & (aside["reason"] != "later than as_of")]
    counts = ", ".join(f"{count} {reason}" for reason, count in aside["reason"].value_counts().items())
    first = aside.iloc[0]
    expected = f"at least one usable reading (rows set aside: {counts})"
    mend = "compare the times, prisms and chainages of the readings with prisms.csv and advance.csv"
    return Fault(str(first["file"]), int(first["line"]), "", str(first["prism"]), expected, mend)


def _epoch(folder: JobFolder) -> np.datetime64:
    """Midnight UTC before everything in the job; it only depends on what has been, never on ``as_of``."""
    first = [folder.readings["time"].to_numpy(dtype="datetime64[ns]").min()]
    first += [log.time[0] for log in folder.advance.values() if len(log)]
    return np.datetime64(np.array(first, dtype="datetime64[D]").min().astype("datetime64[ns]"))


def _drive_order(folder: JobFolder) -> list[str]:
    """Sections in the order in which the face meets them."""
    names = list(dict.fromkeys(prism.section for prism in folder.prisms))
    chainage = {name: section_chainage([prism for prism in folder.prisms if prism.section == name]) for name in names}
    return sorted(names, key=lambda name: (folder.settings.tunnel.drive * chainage[name], name))


def _rows_by_prism(folder: JobFolder) -> list[npt.NDArray[np.int64]]:
    """Rows of the readings of each prism; the readings are sorted by prism."""
    prism = folder.readings["prism"].to_numpy()
    low = np.searchsorted(prism, np.arange(len(folder.prisms)), side="left")
    high = np.searchsorted(prism, np.arange(len(folder.prisms)), side="right")
    return [np.arange(one, two) for one, two in zip(low, high, strict=True)]
