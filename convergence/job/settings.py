"""``tunnel.toml``: the only settings file. Reads it whole and gathers every fault."""

from __future__ import annotations

import datetime
import math
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from convergence.errors import Fault, clipped
from convergence.job.alignment_tables import read_alignment
from convergence.job.expected_tables import read_expected, read_settled
from convergence.job.keys import FILE, Keys
from convergence.job.lining_tables import read_ground, read_lining
from convergence.job.near import near_name
from convergence.job.schema import (
    Calendar,
    ChordPair,
    ProjectionSettings,
    Settings,
    Stage,
    StagePlan,
    Stop,
    Trigger,
    Tunnel,
)
from convergence.job.text_files import decoded, is_there, read_bytes
from convergence.job.trigger_tables import read_triggers
from convergence.job.zones import time_zone

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
#: A settings file larger than this [bytes], with more tables of one name, or with a key of more parts, is refused: what
#: reads them takes time with the square of their number.
LARGEST, MOST_TABLES, MOST_PARTS = 1024 * 1024, 2000, 100

#: Words for the way a face goes.
DRIVES = {"up-chainage": 1, "down-chainage": -1}


def read_settings(folder: Path, faults: list[Fault], remarks: list[str]) -> Settings | None:
    """Read the settings file; None with the faults noted where it cannot be used."""
    data = read_bytes(folder / FILE, FILE, faults, LARGEST) if _is_given(folder, faults) else None
    text = None if data is None else decoded(data, FILE, faults)
    if text is None:
        return None
    # the TOML reader knows two ends of line, and some old exports have the third
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    if _has_long_key(text, faults):
        return None
    try:
        values = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        found = re.search(r"line (\d+)", str(error))
        line = int(found[1]) if found else None
        value = text.splitlines()[line - 1].strip() if line and line <= len(text.splitlines()) else ""
        mend = "correct the line; texts stand in quotes, lists in [ ]"
        faults.append(Fault(FILE, line, "", value, f"TOML ({clipped(str(error), 120)})", mend))
        return None
    return _Reader(values, text, faults, remarks, folder).settings()


def _has_long_key(text: str, faults: list[Fault]) -> bool:
    """Whether a key has parts without end, as a.a.a.a...; a fault where one has."""
    for number, line in enumerate(text.split("\n"), start=1):
        if line.count(".") > MOST_PARTS and max(part.count(".") for part in re.split("[=,]", line)) > MOST_PARTS:
            expected = f"keys of at most {MOST_PARTS} parts between dots"
            faults.append(Fault(FILE, number, "", line, expected, "remove the line"))
            return True
    return False


def _is_given(folder: Path, faults: list[Fault]) -> bool:
    """Whether there is a settings file, be it of use or not; a fault where there is none."""
    if is_there(folder / FILE):
        return True
    mend = "add the file, or give the path of the job folder"
    faults.append(Fault(FILE, None, "", "", "the settings file tunnel.toml in the job folder", mend))
    return False


class _Reader:
    """Turns the parsed file into ``Settings``, one method a table."""

    def __init__(
        self, values: Mapping[str, object], text: str, faults: list[Fault], remarks: list[str], folder: Path
    ) -> None:
        self.folder = folder
        self.drive = 1
        self.top = Keys(values, "", 0, text, faults, remarks)
        self.text = text
        self.faults = faults
        self.remarks = remarks

    def keys(self, values: Mapping[str, object], name: str, index: int = 0) -> Keys:
        return Keys(values, name, index, self.text, self.faults, self.remarks)

    def one(self, name: str) -> Keys | None:
        """A single table, None where absent."""
        if not self.top.has(name):
            return None
        value = self.top.values[name]
        if not isinstance(value, dict):
            mend = f"write [{name}] on a line of its own, its keys below"
            self.top.fault(name, value, f"a table [{name}]", mend)
            return None
        return self.keys(value, name)

    def many(self, name: str) -> list[Keys]:
        """The tables of an array, in their order."""
        if not self.top.has(name):
            return []
        value = self.top.values[name]
        rows = [value] if isinstance(value, dict) else value
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            mend = f"write [[{name}]] on a line of its own, its keys below"
            self.top.fault(name, value, f"tables [[{name}]]", mend)
            return []
        if len(rows) > MOST_TABLES:
            mend = "remove tables, or give the alignment as a file" if name == "alignment" else "remove tables"
            self.top.fault(name, f"{len(rows)} tables", f"at most {MOST_TABLES} tables [[{name}]]", mend)
            return []
        return [self.keys(row, name, index) for index, row in enumerate(rows)]

    def settings(self) -> Settings | None:
        before = len(self.faults)
        tunnel = self.tunnel()
        stages = self.stages()
        alignment, stationing = read_alignment(
            self.many("alignment"),
            self.many("profile"),
            self.many("chainage_equation"),
            self.folder,
            self.faults,
            self.remarks,
        )
        settings = Settings(
            tunnel=tunnel,
            alignment=alignment,
            stages=stages,
            calendar=self.calendar(),
            plans=self.plans(stages),
            projection=self.projection(),
            triggers=self.triggers(stages),
            chords=self.chords(),
            lining=read_lining(self.one("lining")),
            ground=read_ground(self.one("ground")),
            stationing=stationing,
            settled=read_settled(self.one("settled"), tuple(stage.name for stage in stages)),
        )
        for key in self.top.values:
            if key not in _TABLES:
                self.unknown_table(key)
        return settings if len(self.faults) == before else None

    def unknown_table(self, key: str) -> None:
        """A table nobody asked for: a fault where it looks like one that is not there, else a remark."""
        near = near_name(key, [name for name in _TABLES if name not in self.top.values])
        if near:
            mend = f"write {near} in place of {key}, or remove the table"
            self.faults.append(
                Fault(FILE, self.top.line(key), key, key, f"a table the library knows (is {near} meant?)", mend)
            )
        else:
            self.remarks.append(f"{FILE}: table {key} not used")

    def tunnel(self) -> Tunnel:
        keys = self.one("tunnel")
        if keys is None:
            if not self.top.has("tunnel"):
                drive = 'drive = "up-chainage" or "down-chainage"'
                mend = f"add [tunnel] with name, width_m, height_m, time_zone, {drive}"
                self.top.fault("tunnel", None, "a table [tunnel]", mend)
            return Tunnel("", math.nan, math.nan, 1, "UTC")
        name = keys.text("name", "tunnel")
        width = keys.length("width", low=0.5, high=60.0, required=True)
        height = keys.length("height", default=width, low=0.5, high=60.0)
        drive = keys.text("drive", choices=tuple(DRIVES))
        zone = keys.text("time_zone", "UTC")
        try:
            time_zone(zone)
        except ValueError:
            keys.fault(
                "time_zone",
                zone,
                "an IANA time zone name, as Etc/GMT-1 or UTC",
                "correct the name, or remove the key to show times in UTC",
            )
        keys.close()
        sign = self.drive = DRIVES.get(drive, 1)
        return Tunnel(name, width or math.nan, height or math.nan, sign, zone, keys.line("drive"))

    def stages(self) -> tuple[Stage, ...]:
        found: list[Stage] = []
        rows = self.many("stage")
        for keys in rows:
            name = keys.text("name")
            share = keys.number("share", low=0.0, high=1.0)
            follows = keys.text("follows", "") or None
            drive = keys.text("drive", "", choices=tuple(DRIVES))
            shift = keys.length("chainage_shift", default=0.0) or 0.0
            width = keys.length("width", low=0.5, high=60.0)
            height = keys.length("height", low=0.5, high=60.0)
            offset = keys.length("offset", default=0.0, low=-500.0, high=500.0) or 0.0
            keys.close()
            if name in [stage.name for stage in found]:
                keys.fault("name", name, "each stage once", "rename or remove one of them")
            found.append(Stage(name, share, follows, DRIVES.get(drive, 0), shift, width, height, offset))
        names = [stage.name for stage in found]
        follows_of = {stage.name: stage.follows for stage in found}
        for stage, keys in zip(found, rows, strict=True):
            if stage.follows and stage.follows not in names:
                keys.fault(
                    "follows",
                    stage.follows,
                    f"the name of a stage, one of {', '.join(names)}",
                    "correct the name",
                )
            leader = next((item for item in found if item.name == stage.follows), None)
            if leader is not None and (stage.drive or self.drive) != (leader.drive or self.drive):
                expected = f"the drive of {leader.name}, which it follows"
                keys.fault("drive", keys.values.get("drive"), expected, "remove drive, or follows, of the stage")
            seen: list[str] = []
            at: str | None = stage.name
            while at is not None and at not in seen:
                seen.append(at)
                at = follows_of.get(at)
            if at == stage.name:
                expected = f"an order of stages without a circle (found {' -> '.join([*seen, at])})"
                keys.fault("follows", stage.follows, expected, "let the first stage follow nobody")
        total = sum(stage.share or 0.0 for stage in found)
        if total > 1.0 + 1e-6:
            rows[0].fault(
                "share",
                f"{total:g} in all",
                "shares of the opening that sum to at most 1",
                "correct the shares",
            )
        return tuple(found)

    def calendar(self) -> Calendar:
        keys = self.one("calendar")
        if keys is None:
            return Calendar()
        start, end = 0.0, 24.0
        if keys.has("working_hours"):
            value = keys.values["working_hours"]
            form = r"([0-9]{1,2}):([0-5][0-9])\s*-\s*([0-9]{1,2}):([0-5][0-9])"
            found = re.fullmatch(form, value) if isinstance(value, str) else None
            if found:
                start, end = int(found[1]) + int(found[2]) / 60, int(found[3]) + int(found[4]) / 60
            elif isinstance(value, int | float) and not isinstance(value, bool) and 0 < value <= 24:
                end = float(value)
            if (not found and end == 24.0 and value != 24) or not 0 <= start < end <= 24:
                expected = 'hours of the day, as "06:00-22:00" or a number of hours'
                keys.fault("working_hours", value, expected, 'write working_hours = "00:00-24:00"')
        days = set()
        for day in keys.texts("rest_days"):
            if day.lower() in WEEKDAYS:
                days.add(WEEKDAYS.index(day.lower()))
            else:
                keys.fault("rest_days", day, "weekdays, as Sunday", "correct the name of the day")
        keys.close()
        return Calendar(start, end, frozenset(days))

    def plans(self, stages: tuple[Stage, ...]) -> dict[str, StagePlan]:
        keys = self.one("plan")
        if keys is None:
            return {}
        names = [stage.name for stage in stages]
        found = {}
        for name in names:
            # a stage without a plan is known all the same, so that a misspelt one is told
            keys.has(name)
        for name, value in keys.values.items():
            if isinstance(value, dict) and (not names or name in names):
                keys.has(name)
                found[name] = self.plan(keys.inner(value, name))
        everywhere = self.plan(keys)
        if everywhere != StagePlan():
            # what stands in [plan] itself holds for every stage: stops for all of them, the rest where a stage has none
            for name in names:
                own = found.get(name, StagePlan())
                found[name] = StagePlan(
                    own.round_length or everywhere.round_length,
                    own.hours_per_round or everywhere.hours_per_round,
                    own.stops + everywhere.stops,
                )
        return found

    def plan(self, keys: Keys) -> StagePlan:
        length = keys.length("round_length", low=0.05, high=30.0)
        hours = keys.number("hours_per_round", low=0.1, high=2000.0)
        stops = []
        for index, row in enumerate(keys.tables("stops")):
            inner = keys.inner(row, "stops", index)
            start, end = inner.instant("from"), inner.instant("to")
            inner.close()
            if start and end:
                if end <= start:
                    inner.fault("to", end, "an instant after from", "correct the stop")
                stops.append(Stop(_utc(start), _utc(end)))
        keys.close()
        return StagePlan(length, hours, tuple(stops))

    def projection(self) -> ProjectionSettings:
        keys = self.one("projection")
        if keys is None:
            return ProjectionSettings()
        horizon = keys.number("horizon_days", 365.0, low=1.0, high=40_000.0)
        mend = "write it as a share, 0.90 for 90 %"
        confidence = keys.number("confidence", 0.90, low=0.5, high=0.998, mend=mend)
        keys.close()
        return ProjectionSettings(horizon or 365.0, confidence or 0.90)

    def triggers(self, stages: tuple[Stage, ...]) -> tuple[Trigger, ...]:
        names = tuple(stage.name for stage in stages)
        curves = read_expected(self.many("expected"), names, self.faults)
        return read_triggers(self.many("trigger"), self.faults, curves, names)

    def chords(self) -> tuple[ChordPair, ...]:
        pairs = []
        for keys in self.many("chord"):
            pair = ChordPair(keys.text("section", "*"), keys.text("from"), keys.text("to"), keys.line("section"))
            keys.close()
            if pair.start and pair.start == pair.end:
                keys.fault("to", pair.end, "another position than from", "correct one of the two")
            pairs.append(pair)
        return tuple(pairs)


_TABLES = (
    "tunnel",
    "alignment",
    "profile",
    "chainage_equation",
    "stage",
    "calendar",
    "plan",
    "projection",
    "trigger",
    "expected",
    "settled",
    "chord",
    "lining",
    "ground",
)


def _utc(instant: datetime.datetime) -> np.datetime64:
    return np.datetime64(instant.astimezone(datetime.UTC).replace(tzinfo=None), "ns")
