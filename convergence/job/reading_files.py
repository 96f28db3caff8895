"""``readings.csv`` and ``readings/*.csv``: all raw readings, in inside units, each with its file and line."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from convergence.job.intake import Intake
from convergence.job.near import is_meant
from convergence.job.rows import Text
from convergence.job.schema import Prism, Settings
from convergence.job.tables import Table, numbers, read_table
from convergence.job.text_files import is_there, leads_out
from convergence.units import MILLIMETRES

COORDINATES = ("easting", "northing", "elevation")
MOVEMENTS = ("longitudinal", "transverse", "settlement")
FORMS = "either easting, northing, elevation or longitudinal, transverse, settlement, each with its unit in the name"
#: Names of unknown prisms that are held against the known ones; comparing names is slow.
MOST_HINTS = 40
#: Readings of unknown names of one file that are looked at to say whose they are.
MOST_STRANGERS = 20_000
#: Order of the joined readings; with all of these the order of files and rows cannot matter.
ORDER = ["prism", "time", "a", "b", "c", "file", "line"]
Part = dict[str, npt.NDArray[Any]]
COLUMNS = ["time", "prism", "a", "b", "c", "coordinates", "sigma", "file", "line"]


def readings_files(intake: Intake) -> list[str]:
    """Names of the readings files, relative to the folder; what else lies in ``readings`` is remarked."""
    files = ["readings.csv"] if is_there(intake.folder / "readings.csv") else []
    inner = intake.folder / "readings"
    if is_there(inner) and not leads_out(intake.folder, "readings", intake.faults):
        try:
            names = sorted(path.name for path in Path(inner).iterdir())
        except OSError as error:
            expected = f"a folder of readings files ({error.strerror})"
            intake.fault("readings", None, "", "", expected, "make readings a folder, or remove it")
            return files
        # names that begin so are made by file managers and spreadsheets, not by whoever exported the readings
        taken = [name for name in names if name.endswith(".csv") and not name.startswith((".", "~"))]
        other = [name for name in names if name not in taken]
        if other:
            intake.remarks.append(f"readings: not read, for they are no *.csv: {', '.join(other[:12])}")
        files += [f"readings/{name}" for name in taken]
    if not files and not any(fault.file == "readings" for fault in intake.faults):
        intake.fault("readings.csv", None, "", "", "readings.csv, or files readings/*.csv", "add the readings")
    return files


def read_readings(
    intake: Intake, files: list[str], prisms: tuple[Prism, ...], settings: Settings | None
) -> pd.DataFrame:
    """All readings files together, sorted by prism and instant; only rows that parse and have a prism."""
    parts = [_one_file(intake, file, number, prisms, settings) for number, file in enumerate(files)]
    found = [part for part in parts if part is not None and len(part["time"])]
    del parts
    if not found:
        return pd.DataFrame({name: [] for name in COLUMNS})
    frame = _in_order(found)
    _check_forms(intake, frame, files, prisms)
    return frame


def _in_order(parts: list[Part]) -> pd.DataFrame:
    """The readings in ``ORDER``; only where an instant of a prism comes twice does it take more than its first two.

    Column by column, and no longer in the parts, which are emptied.
    """
    prism, time = (_joined(parts, name) for name in ("prism", "time"))
    if (time[1:] >= time[:-1]).all():
        small = prism.max() < np.iinfo(np.int16).max
        order = np.argsort(prism.astype(np.int16) if small else prism, kind="stable")
    else:
        order = np.lexsort((time, prism))
    columns = {"time": time[order], "prism": prism[order]}
    del prism, time
    for name in COLUMNS[2:]:
        columns[name] = _joined(parts, name)[order]
    frame = pd.DataFrame(columns, copy=False)
    prism, time = columns["prism"], columns["time"]
    if ((prism[1:] == prism[:-1]) & (time[1:] == time[:-1])).any():
        return frame.sort_values(ORDER, kind="stable", ignore_index=True)
    return frame


def _joined(parts: list[Part], name: str) -> npt.NDArray[Any]:
    """One column of all parts, taken out of them."""
    columns = [part.pop(name) for part in parts]
    return np.concatenate(columns) if len(columns) > 1 else columns[0]


def _check_forms(intake: Intake, frame: pd.DataFrame, files: list[str], prisms: tuple[Prism, ...]) -> None:
    """A prism read in both forms is a fault: without a zero in common a jump would stand where they meet."""
    if frame["coordinates"].nunique() < 2:
        return
    forms = frame.groupby("prism")["coordinates"].agg(["min", "max"])
    mixed = forms.index[forms["min"] != forms["max"]]
    if len(mixed):
        rows = frame[(frame["prism"] == mixed[0]) & ~frame["coordinates"].astype(bool)]
        names = ", ".join(prisms[index].name for index in mixed[:6]) if prisms else ""
        intake.fault(
            files[int(rows["file"].iloc[0])],
            int(rows["line"].iloc[0]),
            "prism",
            names,
            "each prism in one form; these have coordinates in one file and movements in another",
            "give all readings of a prism in one form, or name it apart in prisms.csv from there on",
        )


def _one_file(
    intake: Intake, file: str, number: int, prisms: tuple[Prism, ...], settings: Settings | None
) -> Part | None:
    """The columns of the readings of one file, by name; None where it has none that can be used."""
    table = read_table(
        intake.folder / file, file, ("time", "prism"), (), (), (*COORDINATES, *MOVEMENTS, "sigma"),
        intake.faults, intake.account, intake.remarks, lambda body: intake.change(body, file),
        (*COORDINATES, *MOVEMENTS), intake.digests, intake.parsed,
    )  # fmt: skip
    if table is None:
        return None
    form = _form(intake, table)
    if form is None:
        return None
    coordinates = form is COORDINATES
    if coordinates and settings is not None and settings.alignment is None:
        expected = "an [[alignment]] in tunnel.toml to reduce coordinates with"
        mend = "add the alignment, or give movements along the tunnel's axes"
        intake.fault(file, 1, table.measured_text("easting")[0], "coordinates", expected, mend)
        return None
    if not len(table):
        intake.remarks.append(f"{file}: a header and no rows")
        return None
    instants, keep = intake.times(table)
    values = []
    for quantity in form:
        found, keep = intake.values(table, quantity, instants, keep, movement=not coordinates)
        values.append(found)
    prism = _prism_numbers(table, prisms)
    for index, item in enumerate(prisms):
        if item.name in intake.since:
            # a name that only an event knows is that of a prism from the event on
            prism[(prism == index) & (instants < intake.since[item.name])] = -1
    if prisms:
        unknown = keep & (prism < 0)
        if 0 < unknown.sum() <= MOST_STRANGERS:
            columns = {name: value[unknown] for name, value in zip("abc", values, strict=True)}
            names = table.text_of("prism", unknown)
            told = {"time": instants[unknown], "name": names, **columns, "coordinates": coordinates}
            intake.strangers.append(pd.DataFrame(told))
        intake.set_aside(table, unknown, "no such prism", _meant(table.text_of("prism", unknown), prisms), instants)
        keep = keep & ~unknown
    count = int(keep.sum())
    part: Part = {"time": instants, "prism": prism, "a": values[0], "b": values[1], "c": values[2]}
    part |= {"sigma": _sigma(intake, table), "line": table.line}
    if count < len(table):
        part = {name: column[keep] for name, column in part.items()}
    return part | {"coordinates": np.full(count, coordinates), "file": np.full(count, number, dtype=np.int32)}


def _form(intake: Intake, table: Table) -> tuple[str, ...] | None:
    """Which of the two forms the file has; None with the fault noted where it has none, half, or both."""
    begun = [form for form in (COORDINATES, MOVEMENTS) if any(name in table.units for name in form)]
    if len(begun) == 1 and all(name in table.units for name in begun[0]):
        return begun[0]
    present = [f"{name}_{table.units[name]}" for form in begun for name in form if name in table.units]
    if len(begun) == 2:
        mend = "split the file into one for each form, or remove the columns of one"
        intake.fault(table.file, 1, ", ".join(present), ", ".join(present), FORMS, mend)
        return None
    form, unit = (begun[0], "m" if begun[0] is COORDINATES else "mm") if begun else (MOVEMENTS, "mm")
    alike = {name.split("_")[0]: name for name in (*table.columns, *table.names)}
    missing = [f"{name}_{unit}" for name in form if name not in table.units]
    wrong = [alike[name] for name in form if name not in table.units and name in alike]
    mend = f"rename {', '.join(wrong)} so that the unit stands at the end" if wrong else f"add {', '.join(missing)}"
    intake.fault(table.file, 1, ", ".join(missing), ", ".join(wrong or present), FORMS, mend)
    return None


def _prism_numbers(table: Table, prisms: tuple[Prism, ...]) -> npt.NDArray[np.int64]:
    """Index of the prism of each row in ``prisms``, -1 where it has none."""
    number = {prism.name: index for index, prism in enumerate(prisms)}
    codes, unique = table.coded("prism")
    return np.array([number.get(str(name), -1) for name in unique], dtype=np.int64)[codes]


def _meant(names: Text, prisms: tuple[Prism, ...]) -> Text:
    """What each unknown name probably means, empty where nothing is like it; of many names the first ones only."""
    known = [prism.name for prism in prisms]
    codes, unique = pd.factorize(names)
    hints = [is_meant(str(name), known, "") if at < MOST_HINTS else "" for at, name in enumerate(unique)]
    return np.array(hints, dtype=object)[codes]


def _sigma(intake: Intake, table: Table) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Standard deviations [mm] the file gives; NaN where it gives none."""
    if "sigma" not in table.units:
        return np.full(len(table), np.nan)
    name, text = table.measured_text("sigma")
    sigma = numbers(text)[0] * MILLIMETRES[table.units["sigma"]]
    useless = ~(np.isfinite(sigma) & (sigma > 0))
    sigma[useless] = np.nan
    remark = (
        f"readings: column {name} kept beside the raw readings; noise is estimated from the readings themselves, and "
        "taken as no less than the middle of this column"
    )
    if remark not in intake.remarks:
        intake.remarks.append(remark)
    given = int((useless & (text != "")).sum())
    if given:
        intake.remarks.append(f"{table.file}: {given} values of {name} not used, for they are no numbers above 0")
    return sigma


def without_doubles(intake: Intake, frame: pd.DataFrame, files: list[str], prisms: tuple[Prism, ...]) -> pd.DataFrame:
    """Set aside repeated rows, and all rows of an instant where a prism has two different readings."""
    if len(frame) < 2:
        return frame
    prism, time = frame["prism"].to_numpy(), frame["time"].to_numpy()
    same = (prism[1:] == prism[:-1]) & (time[1:] == time[:-1])
    if not same.any():
        return frame
    values = frame[["a", "b", "c"]].to_numpy()
    equal = np.concatenate([[False], same & (values[1:] == values[:-1]).all(axis=1)])
    set_readings_aside(intake, frame[equal], files, prisms, "duplicate instant")
    rest = frame[~equal]
    conflict = rest.duplicated(["prism", "time"], keep=False).to_numpy()
    apart = _apart(rest[conflict])
    set_readings_aside(intake, rest[conflict], files, prisms, "conflicting instant", size=apart)
    return rest[~conflict].reset_index(drop=True)


def set_readings_aside(
    intake: Intake,
    rows: pd.DataFrame,
    files: list[str],
    prisms: tuple[Prism, ...],
    reason: str,
    detail: str | npt.NDArray[np.object_] = "",
    size: npt.ArrayLike = np.nan,
) -> None:
    """Set readings of the joined frame aside."""
    if len(rows) and prisms:
        who = [prisms[index] for index in rows["prism"].tolist()]
        intake.account.set_aside(
            np.array(files, dtype=object)[rows["file"].to_numpy()],
            rows["line"].to_numpy(),
            reason,
            detail,
            np.array([item.section for item in who], dtype=object),
            np.array([item.name for item in who], dtype=object),
            rows["time"].to_numpy(),
            size,
        )


def _apart(rows: pd.DataFrame) -> npt.NDArray[np.float64]:
    """How far each reading is [mm], at most, from another of its prism at the same instant."""
    if not len(rows):
        return np.empty(0)
    group = rows.groupby(["prism", "time"], sort=False)[["a", "b", "c"]]
    values = rows[["a", "b", "c"]].to_numpy()
    high, low = group.transform("max").to_numpy(), group.transform("min").to_numpy()
    apart = np.linalg.norm(np.maximum(high - values, values - low), axis=1)
    mixed = rows.groupby(["prism", "time"], sort=False)["coordinates"].transform("nunique").to_numpy() > 1
    # a coordinate and a movement at one instant cannot be told apart in millimetres
    return np.where(mixed, np.nan, apart * np.where(rows["coordinates"].to_numpy(dtype=bool), 1e3, 1.0))
