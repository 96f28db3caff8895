"""Reading a job folder: settings, prisms, face logs, events and raw readings, with every fault and every row accounted.

Nothing is reduced or judged here: raw readings come out as they stand in the files, in inside units, each with its file
and line.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from convergence.errors import Fault, JobError
from convergence.job.account import Account
from convergence.job.advance import FaceLog, build_logs
from convergence.job.findings import Finding
from convergence.job.schema import EVENTS, Event, Prism, Settings, Stage
from convergence.job.settings import read_settings
from convergence.job.tables import Table, in_metres, numbers, read_table
from convergence.job.times import FORM, Instants, parse_instant, parse_times, shown
from convergence.units import MILLIMETRES

COORDINATES = ("easting", "northing", "elevation")
MOVEMENTS = ("longitudinal", "transverse", "settlement")
#: A file with more than this share of rows that do not parse is at fault as a whole.
UNREADABLE_SHARE = 0.5
#: Readings this many days away from all others of the job, and few, carry a mistyped date.
FAR_DAYS, FAR_SHARE = 120.0, 0.01


@dataclass(frozen=True)
class JobFolder:
    """A job folder as read, before any reduction.

    Attributes
    ----------
    path : str
        The folder.
    settings : Settings
        Everything ``tunnel.toml`` says.
    prisms : tuple of Prism
        In the order of ``prisms.csv``.
    readings : pandas.DataFrame
        Raw readings in use: time (UTC), prism (index into ``prisms``), a, b, c (coordinates [m] or movements [mm]),
        coordinates (True for coordinates), sigma [mm] (NaN if not given), file (index into ``files``), line.
    files : tuple of str
        The readings files.
    advance : dict of str to FaceLog
        By stage, in the order of the stages.
    events : tuple of Event
        By time.
    account : Account
        Rows read and set aside.
    findings : tuple of Finding
        What the reader noticed and did not act on.
    remarks : tuple of str
        Keys and columns of the input that are not used.
    as_of : datetime64 or None
        Nothing later was read.
    fingerprint : str
        SHA-256 over the files used, for the record of a run.
    """

    path: str
    settings: Settings
    prisms: tuple[Prism, ...]
    readings: pd.DataFrame
    files: tuple[str, ...]
    advance: dict[str, FaceLog]
    events: tuple[Event, ...]
    account: Account
    findings: tuple[Finding, ...]
    remarks: tuple[str, ...]
    as_of: np.datetime64 | None
    fingerprint: str

    @property
    def now(self) -> np.datetime64:
        """The instant of the analysis: ``as_of``, else the last instant in the data."""
        if self.as_of is not None:
            return self.as_of
        instants = [self.readings["time"].max().to_datetime64()] if len(self.readings) else []
        instants += [log.time[-1] for log in self.advance.values() if len(log)]
        return np.max(np.array(instants, dtype="datetime64[ns]"))


def read_folder(path: str | Path, as_of: str | np.datetime64 | None = None) -> JobFolder:
    """Read a job folder.

    Parameters
    ----------
    path : str or Path
        The folder.
    as_of : str or datetime64, optional
        Read nothing later than this instant (text: ISO 8601 with an offset; datetime64: UTC).

    Returns
    -------
    JobFolder
        Everything in it, accounted for.

    Raises
    ------
    JobError
        The folder cannot be used; carries all its faults.
    """
    folder = Path(path)
    reader = _FolderReader(folder, _instant(as_of, str(path)))
    return reader.read()


def _instant(as_of: str | np.datetime64 | None, folder: str) -> np.datetime64 | None:
    if as_of is None or isinstance(as_of, np.datetime64):
        return as_of
    found = parse_instant(as_of.strip())
    if found is None:
        raise JobError(folder, [Fault("as-of", None, "", as_of, FORM, "write the instant with its offset, as 2031-05-04T06:00:00+02:00 or 2031-05-04T04:00:00Z")])
    return found


class _FolderReader:
    """One pass over a folder; gathers faults so that all are told together."""

    def __init__(self, folder: Path, as_of: np.datetime64 | None) -> None:
        self.folder = folder
        self.as_of = as_of
        self.faults: list[Fault] = []
        self.remarks: list[str] = []
        self.findings: list[Finding] = []
        self.account = Account()

    def read(self) -> JobFolder:
        if not self.folder.is_dir():
            raise JobError(str(self.folder), [Fault(str(self.folder), None, "", "", "a job folder", "give the path of the folder that holds tunnel.toml")])
        settings = read_settings(self.folder, self.faults, self.remarks)
        prisms = self.prisms()
        if settings is not None and prisms:
            self.check_places(settings, prisms)
        events = self.events(prisms)
        stages, advance = self.advance(settings)
        readings, files = self.readings(prisms, settings)
        if self.faults or settings is None:
            rank = {"tunnel.toml": 0, "prisms.csv": 1, "advance.csv": 2, "events.csv": 3}
            raise JobError(str(self.folder), sorted(self.faults, key=lambda fault: (rank.get(fault.file, 9), fault.file, fault.line or 0)))
        if stages != settings.stages:
            settings = Settings(**{**settings.__dict__, "stages": stages})
        return JobFolder(
            str(self.folder), settings, prisms, readings, files, advance, events, self.account,
            tuple(self.findings), tuple(self.remarks), self.as_of, self.fingerprint(files),
        )

    def table(
        self, file: str, plain: tuple[str, ...], lengths: tuple[str, ...] = (), optional: tuple[str, ...] = (), optional_lengths: tuple[str, ...] = ()
    ) -> Table | None:
        path = self.folder / file
        if not path.is_file():
            self.faults.append(Fault(file, None, "", "", f"the file {file} in the job folder", f"add {file} with the columns {', '.join((*plain, *(f'{name}_m' for name in lengths)))}"))
            return None
        return read_table(path, file, plain, lengths, optional, optional_lengths, self.faults, self.account, self.remarks)

    def prisms(self) -> tuple[Prism, ...]:
        """``prisms.csv``: a wrong row is a fault, for a prism in the wrong place misleads for the whole job."""
        file = "prisms.csv"
        table = self.table(file, ("prism", "section", "position"), ("chainage", "offset", "height"))
        if table is None:
            return ()
        before = len(self.faults)
        for reason in self.account.rows_set_aside.query("file == @file").itertuples():
            self.faults.append(Fault(file, int(reason.line), "", "", "a value in each column", "complete the row"))
        values = {}
        for quantity in ("chainage", "offset", "height"):
            name, text = table.measured_text(quantity)
            found, _ = numbers(text)
            found = in_metres(found, table.units[quantity])
            limit = 1e7 if quantity == "chainage" else 200.0
            for index in np.flatnonzero(~(np.abs(found) <= limit)):
                self.faults.append(Fault(file, int(table.line[index]), name, str(text[index]), f"a finite number within +-{limit:g} m", "correct the value, or its unit"))
            values[quantity] = found
        prisms = []
        seen: dict[str, int] = {}
        for index, line in enumerate(table.line):
            prism, section, position = (str(table.text(name)[index]) for name in ("prism", "section", "position"))
            for name, value in (("prism", prism), ("section", section)):
                if not value:
                    self.faults.append(Fault(file, int(line), name, "", f"a name of the {name}", "complete the row"))
            if prism and prism in seen:
                self.faults.append(Fault(file, int(line), "prism", prism, f"each prism once (it stands in line {seen[prism]} too)", "rename or remove one of the two rows"))
            seen.setdefault(prism, int(line))
            place = (float(values[name][index]) for name in ("chainage", "offset", "height"))
            prisms.append(Prism(prism, section, position or prism, *place, int(line)))
        return tuple(prisms) if len(self.faults) == before else ()

    def check_places(self, settings: Settings, prisms: tuple[Prism, ...]) -> None:
        """Names and chainages the settings refer to, against the prisms."""
        sections = {prism.section for prism in prisms}
        positions = {prism.position for prism in prisms}
        names = {prism.name for prism in prisms}
        if settings.alignment is not None:
            low, high = settings.alignment.start_chainage, settings.alignment.end_chainage
            for prism in prisms:
                if not low - 1e-6 <= prism.chainage <= high + 1e-6:
                    self.faults.append(Fault("prisms.csv", prism.line, "chainage", f"{prism.chainage:g} m", f"a chainage on the alignment, {low:g} to {high:g} m", "correct the chainage, or lengthen the [[alignment]]"))
        for section in sorted(sections):
            at = [prism.chainage for prism in prisms if prism.section == section]
            if max(at) - min(at) > 5.0:
                far = max((prism for prism in prisms if prism.section == section), key=lambda prism: abs(prism.chainage - float(np.median(at))))
                self.faults.append(Fault("prisms.csv", far.line, "chainage", f"{far.chainage:g} m", f"the prisms of section {section} within 5 m along the tunnel (median {np.median(at):g} m)", "correct the chainage, or give the prism a section of its own"))
        for trigger in settings.triggers:
            for section in trigger.sections:
                if section not in sections:
                    self.faults.append(Fault("tunnel.toml", None, f"trigger {trigger.name}, sections", section, "a section of prisms.csv", "correct the name"))
            for position in trigger.positions:
                if position not in positions and trigger.measure != "chord":
                    self.faults.append(Fault("tunnel.toml", None, f"trigger {trigger.name}, positions", position, f"a position of prisms.csv, one of {', '.join(sorted(positions))}", "correct the name"))
        for pair in settings.chords:
            if pair.section != "*" and pair.section not in sections:
                self.faults.append(Fault("tunnel.toml", None, "chord.section", pair.section, 'a section of prisms.csv, or "*"', "correct the name"))
            for end in (pair.start, pair.end):
                if end and end not in positions and end not in names:
                    self.faults.append(Fault("tunnel.toml", None, "chord.from, chord.to", end, f"a position or prism of prisms.csv, one of {', '.join(sorted(positions))}", "correct the name"))

    def times(self, table: Table) -> tuple[Instants, npt.NDArray[np.bool_]]:
        """Instants of a table, with the rows that have none set aside; returns them and the rows to keep."""
        text = table.text("time")
        instants, bare = parse_times(text)
        bad = np.isnat(instants) & ~bare
        later = np.zeros(len(table), dtype=bool) if self.as_of is None else instants > self.as_of
        for mask, reason in ((bare, "no offset in time"), (bad, "unparseable time")):
            self.account.set_aside(table.file, table.line[mask], reason, text[mask], prism=table.text("prism")[mask], section=table.text("section")[mask])
        self.account.set_aside(table.file, table.line[later], "later than as_of", text[later], prism=table.text("prism")[later], time=instants[later])
        wrong = bare | bad
        if wrong.sum() > UNREADABLE_SHARE * len(table):
            first = int(np.flatnonzero(wrong)[0])
            self.faults.append(Fault(table.file, int(table.line[first]), "time", str(text[first]), f"{FORM} ({int(wrong.sum())} of {len(table)} rows are not)", "export the times with their offset from UTC"))
        return instants, ~(wrong | later)

    def events(self, prisms: tuple[Prism, ...]) -> tuple[Event, ...]:
        """``events.csv``; a row that names a prism or section nobody knows is a fault."""
        file = "events.csv"
        if not (self.folder / file).is_file():
            return ()
        table = self.table(file, ("time", "event"), optional=("section", "prism", "note"))
        if table is None:
            return ()
        instants, keep = self.times(table)
        names = {prism.name for prism in prisms}
        sections = {prism.section for prism in prisms}
        found = []
        for index in np.flatnonzero(keep):
            line = int(table.line[index])
            section, prism, event, note = (str(table.text(name)[index]) for name in ("section", "prism", "event", "note"))
            event = " ".join(event.lower().split())
            if prisms and prism and prism not in names:
                self.faults.append(Fault(file, line, "prism", prism, "a prism of prisms.csv, or nothing for all", "correct the name"))
            if prisms and section and section not in sections:
                self.faults.append(Fault(file, line, "section", section, "a section of prisms.csv, or nothing for all", "correct the name"))
            if not event:
                self.account.set_aside(file, line, "no event", section=section, prism=prism, time=instants[index])
                continue
            if event not in EVENTS:
                self.account.set_aside(file, line, "unknown event", f"{event}: known are {', '.join(EVENTS)}", section=section, prism=prism, time=instants[index])
            found.append(Event(instants[index], section, prism, event, note, line))
        return tuple(sorted(found, key=lambda item: (item.time, item.section, item.prism, item.event, item.line)))

    def advance(self, settings: Settings | None) -> tuple[tuple[Stage, ...], dict[str, FaceLog]]:
        """``advance.csv`` as face logs by stage."""
        file = "advance.csv"
        table = self.table(file, ("time", "stage"), ("chainage",))
        stages = settings.stages if settings else ()
        if table is None:
            return stages, {stage.name: FaceLog(stage.name, 1, np.array([], "datetime64[ns]"), np.array([])) for stage in stages}
        instants, keep = self.times(table)
        stage = table.text("stage")
        if settings is not None and not stages:
            stages = tuple(Stage(str(name)) for name in dict.fromkeys(stage[keep].tolist()) if name)
            self.remarks.append(f"tunnel.toml: no [[stage]]; stages taken from advance.csv in their order there: {', '.join(item.name for item in stages)}")
        declared = np.isin(stage, [item.name for item in stages])
        if settings is not None:
            unknown = keep & ~declared
            self.account.set_aside(file, table.line[unknown], "no such stage", stage[unknown], time=instants[unknown])
            if unknown.any() and unknown.sum() > UNREADABLE_SHARE * keep.sum():
                first = int(np.flatnonzero(unknown)[0])
                self.faults.append(Fault(file, int(table.line[first]), "stage", str(stage[first]), f"a stage of tunnel.toml, one of {', '.join(item.name for item in stages)} ({int(unknown.sum())} of {len(table)} rows are not)", "correct the names, or add the [[stage]]"))
            keep &= declared
        name, text = table.measured_text("chainage")
        chainage, parsed = numbers(text)
        chainage = in_metres(chainage, table.units["chainage"])
        bad = keep & ~np.isfinite(chainage)
        for mask, reason in ((bad & ~parsed, "unparseable number"), (bad & parsed, "not finite")):
            self.account.set_aside(file, table.line[mask], reason, text[mask], time=instants[mask])
        if bad.any() and bad.sum() > UNREADABLE_SHARE * len(table):
            first = int(np.flatnonzero(bad)[0])
            self.faults.append(Fault(file, int(table.line[first]), name, str(text[first]), f"a finite number ({int(bad.sum())} of {len(table)} rows are not)", "export the chainages as plain numbers"))
        keep &= ~bad
        drive = settings.tunnel.drive if settings else 1
        logs = build_logs(instants[keep], stage[keep], chainage[keep], table.line[keep], stages, drive, file, self.faults, self.account, self.findings)
        if settings is not None and settings.alignment is not None:
            self.check_face_on_alignment(settings, logs, file)
        return stages, logs

    def check_face_on_alignment(self, settings: Settings, logs: dict[str, FaceLog], file: str) -> None:
        """A face log that lies off the alignment for good is a fault; the reader knows no other chainage system."""
        assert settings.alignment is not None
        low, high = settings.alignment.start_chainage, settings.alignment.end_chainage
        for log in logs.values():
            outside = (log.chainage < low - 1.0) | (log.chainage > high + 1.0)
            if len(log) and outside.sum() > UNREADABLE_SHARE * len(log):
                at = float(log.chainage[np.flatnonzero(outside)[0]])
                self.faults.append(Fault(file, None, "chainage", f"{at:g} m", f"{log.stage} chainages on the alignment, {low:g} to {high:g} m", "correct the unit of the column, or the [[alignment]]"))

    def readings(self, prisms: tuple[Prism, ...], settings: Settings | None) -> tuple[pd.DataFrame, tuple[str, ...]]:
        """All readings files together, sorted by prism and instant, doubles set aside."""
        files = [name for name in ("readings.csv",) if (self.folder / name).is_file()]
        if (self.folder / "readings").is_dir():
            files += [f"readings/{path.name}" for path in sorted((self.folder / "readings").glob("*.csv"))]
        if not files:
            self.faults.append(Fault("readings.csv", None, "", "", "readings.csv, or files readings/*.csv", "add the readings"))
        parts = [part for number, file in enumerate(files) if (part := self.readings_file(file, number, prisms, settings)) is not None]
        columns = ["time", "prism", "a", "b", "c", "coordinates", "sigma", "file", "line"]
        if not parts:
            return pd.DataFrame({name: [] for name in columns}), tuple(files)
        frame = pd.concat(parts, ignore_index=True) if len(parts) > 1 else parts[0]
        frame = frame.sort_values(["prism", "time", "a", "b", "c", "file", "line"], kind="stable", ignore_index=True)
        frame = self.without_far_dates(frame, files, prisms)
        frame = self.without_doubles(frame, files, prisms)
        if not len(frame) and not self.faults:
            why = self.account.rows_set_aside["reason"].value_counts()
            shown_why = ", ".join(f"{count} {reason}" for reason, count in why.items())
            self.faults.append(Fault(files[0], None, "", "", f"at least one usable reading (rows set aside: {shown_why})", "see the reasons, and correct the files"))
        return frame, tuple(files)

    def readings_file(self, file: str, number: int, prisms: tuple[Prism, ...], settings: Settings | None) -> pd.DataFrame | None:
        table = read_table(
            self.folder / file, file, ("time", "prism"), (), (), (*COORDINATES, *MOVEMENTS, "sigma"), self.faults, self.account, self.remarks,
        )
        if table is None:
            return None
        forms = [form for form in (COORDINATES, MOVEMENTS) if any(name in table.units for name in form)]
        if len(forms) != 1 or any(name not in table.units for name in forms[0]):
            present = [name for form in forms for name in form if name in table.units]
            missing = [f"{name}{'_m' if forms and forms[0] is COORDINATES else '_mm'}" for name in (forms[0] if len(forms) == 1 else MOVEMENTS) if name not in table.units]
            self.faults.append(Fault(
                file, 1, ", ".join(missing), ", ".join(present),
                "either easting, northing, elevation or longitudinal, transverse, settlement, each with its unit in the name",
                f"add the column{'s' if len(missing) > 1 else ''} {', '.join(missing)}" if len(forms) < 2 else "split the file into one for each form",
            ))
            return None
        form = forms[0]
        coordinates = form is COORDINATES
        if coordinates and settings is not None and settings.alignment is None:
            self.faults.append(Fault(file, 1, "easting", "coordinates", "an [[alignment]] in tunnel.toml to reduce coordinates with", "add the alignment, or give movements along the tunnel's axes"))
            return None
        instants, keep = self.times(table)
        values = []
        for quantity in form:
            name, text = table.measured_text(quantity)
            found, parsed = numbers(text)
            unit = table.units[quantity]
            found = in_metres(found, unit) if coordinates else found * MILLIMETRES[unit]
            bad = keep & ~np.isfinite(found)
            for mask, reason in ((bad & ~parsed, "unparseable number"), (bad & parsed, "not finite")):
                detail = np.array([f"{name} = {str(value)[:40]}" for value in text[mask]], dtype=object)
                self.account.set_aside(file, table.line[mask], reason, detail, prism=table.text("prism")[mask], time=instants[mask])
            text_rows = bad & ~parsed
            if text_rows.any() and text_rows.sum() > UNREADABLE_SHARE * len(table):
                first = int(np.flatnonzero(text_rows)[0])
                self.faults.append(Fault(file, int(table.line[first]), name, str(text[first]), f"a number ({int(text_rows.sum())} of {len(table)} rows are none)", "export plain numbers with a point in decimals"))
            keep &= ~bad
            values.append(found)
        sigma = np.full(len(table), np.nan)
        if "sigma" in table.units:
            name, text = table.measured_text("sigma")
            sigma, _ = numbers(text)
            sigma = sigma * MILLIMETRES[table.units["sigma"]]
            sigma[~(sigma > 0)] = np.nan
        code = {prism.name: index for index, prism in enumerate(prisms)}
        codes, unique = pd.factorize(table.text("prism"))
        prism = np.array([code.get(str(name), -1) for name in unique], dtype=np.int64)[codes] if len(unique) else np.empty(0, np.int64)
        if prisms:
            unknown = keep & (prism < 0)
            self.account.set_aside(file, table.line[unknown], "no such prism", prism=table.text("prism")[unknown], time=instants[unknown])
            if unknown.any() and unknown.sum() == keep.sum():
                first = int(np.flatnonzero(unknown)[0])
                self.faults.append(Fault(file, int(table.line[first]), "prism", str(table.text("prism")[first]), "prisms of prisms.csv (no row of this file has one)", "correct the names in one of the two files"))
            keep &= ~unknown
        if not keep.any():
            return None
        return pd.DataFrame({
            "time": instants[keep], "prism": prism[keep], "a": values[0][keep], "b": values[1][keep], "c": values[2][keep],
            "coordinates": coordinates, "sigma": sigma[keep], "file": np.int32(number), "line": table.line[keep],
        })

    def without_far_dates(self, frame: pd.DataFrame, files: list[str], prisms: tuple[Prism, ...]) -> pd.DataFrame:
        """Set aside the few readings that lie far in time from all others: years mistyped."""
        when = np.sort(frame["time"].to_numpy())
        if len(when) < 3:
            return frame
        gaps = np.flatnonzero(np.diff(when) > np.timedelta64(int(FAR_DAYS * 24), "h"))
        if not len(gaps):
            return frame
        edges = np.concatenate([[0], gaps + 1, [len(when)]])
        few = max(3, int(FAR_SHARE * len(when)))
        far = np.zeros(len(frame), dtype=bool)
        time = frame["time"].to_numpy()
        for low, high in zip(edges[:-1], edges[1:], strict=True):
            if high - low <= few and high - low < len(when) / 2:
                far |= (time >= when[low]) & (time <= when[high - 1])
        self.aside(frame[far], files, prisms, "time outside the job", f"more than {FAR_DAYS:g} days from all other readings")
        return frame[~far].reset_index(drop=True)

    def without_doubles(self, frame: pd.DataFrame, files: list[str], prisms: tuple[Prism, ...]) -> pd.DataFrame:
        """Set aside repeated rows, and all rows of an instant where a prism has two different readings."""
        if len(frame) < 2:
            return frame
        prism, time = frame["prism"].to_numpy(), frame["time"].to_numpy()
        same = (prism[1:] == prism[:-1]) & (time[1:] == time[:-1])
        if not same.any():
            return frame
        values = frame[["a", "b", "c"]].to_numpy()
        equal = np.concatenate([[False], same & (values[1:] == values[:-1]).all(axis=1)])
        self.aside(frame[equal], files, prisms, "duplicate instant", "")
        rest = frame[~equal]
        conflict = rest.duplicated(["prism", "time"], keep=False).to_numpy()
        self.aside(rest[conflict], files, prisms, "conflicting instant", "")
        return rest[~conflict].reset_index(drop=True)

    def aside(self, rows: pd.DataFrame, files: list[str], prisms: tuple[Prism, ...], reason: str, detail: str) -> None:
        """Set readings of the joined frame aside."""
        if len(rows):
            who = [prisms[index] for index in rows["prism"]]
            self.account.set_aside(
                np.array(files, dtype=object)[rows["file"]], rows["line"].to_numpy(), reason, detail,
                np.array([item.section for item in who], dtype=object), np.array([item.name for item in who], dtype=object), rows["time"].to_numpy(),
            )

    def fingerprint(self, readings_files: tuple[str, ...]) -> str:
        """SHA-256 over names and contents of the files used."""
        total = hashlib.sha256()
        for file in ("tunnel.toml", "prisms.csv", "advance.csv", "events.csv", *sorted(readings_files)):
            path = self.folder / file
            if path.is_file():
                total.update(file.encode() + b"\0" + hashlib.sha256(path.read_bytes()).digest())
        if self.as_of is not None:
            total.update(shown(self.as_of).encode())
        return total.hexdigest()
