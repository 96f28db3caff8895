"""``tunnel.toml``: the only settings file. Reads it whole and gathers every fault."""

from __future__ import annotations

import datetime
import math
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Literal, cast

import numpy as np

from convergence.errors import Fault, clipped
from convergence.job.keys import FILE, Keys
from convergence.job.schema import (
    AlignmentRow,
    AlignmentTable,
    Calendar,
    ChordPair,
    Datum,
    Level,
    ProfileRow,
    ProjectionSettings,
    Settings,
    Stage,
    StagePlan,
    Stop,
    Trigger,
    Tunnel,
)
from convergence.job.tables import decoded, is_there, read_bytes
from convergence.job.zones import time_zone
from convergence.units import MILLIMETRES

MEASURES = ("settlement", "transverse", "longitudinal", "chord")
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
LARGEST = 4 * 1024 * 1024


def read_settings(folder: Path, faults: list[Fault], remarks: list[str]) -> Settings | None:
    """Read the settings file; None with the faults noted where it cannot be used."""
    data = read_bytes(folder / FILE, FILE, faults, LARGEST) if _is_given(folder, faults) else None
    text = None if data is None else decoded(data, FILE, faults)
    if text is None:
        return None
    # the TOML reader knows two ends of line, and some old exports have the third
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    try:
        values = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        found = re.search(r"line (\d+)", str(error))
        line = int(found[1]) if found else None
        value = text.splitlines()[line - 1].strip() if line and line <= len(text.splitlines()) else ""
        mend = "correct the line; texts stand in quotes, lists in [ ]"
        faults.append(Fault(FILE, line, "", value, f"TOML ({clipped(str(error), 120)})", mend))
        return None
    return _Reader(values, text, faults, remarks).settings()


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
        self, values: Mapping[str, object], text: str, faults: list[Fault], remarks: list[str]
    ) -> None:
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
        return [self.keys(row, name, index) for index, row in enumerate(rows)]

    def settings(self) -> Settings | None:
        before = len(self.faults)
        tunnel = self.tunnel()
        stages = self.stages()
        settings = Settings(
            tunnel=tunnel,
            alignment=self.alignment(),
            stages=stages,
            calendar=self.calendar(),
            plans=self.plans(stages),
            projection=self.projection(),
            triggers=self.triggers(),
            chords=self.chords(),
            lining=self.free("lining"),
            ground=self.free("ground"),
        )
        for key in self.top.values:
            if not self.top.has(key) or key not in _TABLES:
                self.remarks.append(f"{FILE}: table {key} not used")
        return settings if len(self.faults) == before else None

    def tunnel(self) -> Tunnel:
        keys = self.one("tunnel")
        if keys is None:
            if not self.top.has("tunnel"):
                mend = 'add [tunnel] with name, width_m, height_m, time_zone, drive = "up-chainage" or "down-chainage"'
                self.top.fault("tunnel", None, "a table [tunnel]", mend)
            return Tunnel("", math.nan, math.nan, 1, "UTC")
        name = keys.text("name", "tunnel")
        width = keys.length("width", low=0.5, high=60.0, required=True)
        height = keys.length("height", default=width, low=0.5, high=60.0)
        drive = keys.text("drive", choices=("up-chainage", "down-chainage"))
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
        return Tunnel(
            name, width or math.nan, height or math.nan, -1 if drive == "down-chainage" else 1, zone
        )

    def alignment(self) -> AlignmentTable | None:
        rows = self.many("alignment")
        profile = self.many("profile")
        if not rows:
            for keys in profile:
                self.remarks.append(
                    f"{FILE}:{keys.line('chainage_m')}: [[profile]] not used, there is no [[alignment]]"
                )
            return None
        start = rows[0]
        chainage = start.length("start_chainage", required=True, low=-1e6, high=1e7)
        easting = start.length("start_easting", required=True, low=-1e8, high=1e8)
        northing = start.length("start_northing", required=True, low=-1e8, high=1e8)
        azimuth = start.number("start_azimuth_deg", low=-360.0, high=360.0, required=True)
        elements = tuple(self.element(keys) for keys in rows)
        points = []
        for keys in profile:
            at = keys.length("chainage", required=True)
            level = keys.length("elevation", required=True, low=-1e4, high=1e4)
            curve = keys.length("curve_length", default=0.0, low=0.0)
            keys.close()
            if at is not None and level is not None and curve is not None:
                points.append(ProfileRow(at, level, curve))
        for point, keys in (
            ((points[0], profile[0]), (points[-1], profile[-1])) if len(points) == len(profile) > 0 else ()
        ):
            if point.curve_length > 0:
                expected = "no vertical curve at the first and last point, where only one grade is known"
                keys.fault(
                    "curve_length_m", point.curve_length, expected, "remove the key, or add a point beyond"
                )
        for earlier, later, keys in zip(points, points[1:], profile[1:], strict=False):
            apart = later.chainage - later.curve_length / 2 - earlier.chainage - earlier.curve_length / 2
            if apart < 0.0 or later.chainage <= earlier.chainage:
                expected = "profile points in rising chainage, their curves apart"
                mend = "sort the [[profile]] tables, or shorten curve_length_m"
                keys.fault("chainage_m", later.chainage, expected, mend)
        if chainage is None or easting is None or northing is None or azimuth is None:
            return None
        return AlignmentTable(chainage, easting, northing, math.radians(azimuth), elements, tuple(points))

    def element(self, keys: Keys) -> AlignmentRow:
        kind = keys.text("kind", choices=("straight", "arc", "clothoid"))
        length = keys.length("length", required=True, low=1e-3, high=1e6) or 1.0
        turn = 1.0
        start = end = 0.0
        if kind in ("arc", "clothoid"):
            turn = 1.0 if keys.text("turn", choices=("right", "left")) == "right" else -1.0
        if kind == "arc":
            radius = keys.length("radius", required=True, low=10.0, high=1e7)
            start = end = turn / radius if radius else 0.0
        elif kind == "clothoid":
            radii = [keys.length(f"{side}_radius", low=10.0, high=1e7) for side in ("start", "end")]
            if radii == [None, None]:
                keys.fault(
                    "end_radius_m",
                    None,
                    "start_radius_m, end_radius_m or both",
                    "add the radius of the curved end",
                )
            start, end = (turn / radius if radius else 0.0 for radius in radii)
        for key in ("start_chainage", "start_easting", "start_northing"):
            keys.length(key)
        keys.number("start_azimuth_deg")
        keys.close()
        return AlignmentRow(
            cast(Literal["straight", "arc", "clothoid"], kind or "straight"), length, start, end
        )

    def stages(self) -> tuple[Stage, ...]:
        found: list[Stage] = []
        rows = self.many("stage")
        for keys in rows:
            name = keys.text("name")
            share = keys.number("share", low=0.0, high=1.0)
            follows = keys.text("follows", "") or None
            keys.close()
            if name in [stage.name for stage in found]:
                keys.fault("name", name, "each stage once", "rename or remove one of them")
            found.append(Stage(name, share, follows))
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
        for name, value in keys.values.items():
            if isinstance(value, dict) and (not names or name in names):
                keys.has(name)
                found[name] = self.plan(keys.inner(value, name))
        everywhere = self.plan(keys)
        if everywhere != StagePlan():
            for name in names:
                found.setdefault(name, everywhere)
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
        confidence = keys.number("confidence", 0.90, low=0.5, high=0.999, mend=mend)
        keys.close()
        return ProjectionSettings(horizon or 365.0, confidence or 0.90)

    def triggers(self) -> tuple[Trigger, ...]:
        found: list[Trigger] = []
        for keys in self.many("trigger"):
            trigger = self.trigger(keys)
            if trigger is None:
                continue
            if trigger.name in [other.name for other in found]:
                keys.fault(
                    "name", trigger.name, "each trigger under a name of its own", "give this one a name"
                )
            found.append(trigger)
        return tuple(found)

    def trigger(self, keys: Keys) -> Trigger | None:
        before = len(self.faults)
        measure = keys.text("measure", choices=MEASURES)
        since = keys.text("since", "zero reading", choices=("zero reading", "excavation"))
        levels: list[Level] = []
        kinds: list[str] = []
        for number, row in enumerate(keys.tables("levels")):
            inner = keys.inner(row, "levels", number)
            name = inner.text("name", f"level {number + 1}")
            value, kind = _level_value(inner)
            inner.close()
            if value is not None:
                levels.append(Level(name, value))
                kinds.append(kind)
        if not levels and len(self.faults) == before:
            keys.fault(
                "levels", None, "at least one level", 'write levels = [{name = "...", value_mm = ...}]'
            )
        sizes = [abs(level.value) for level in levels]
        if len(set(kinds)) > 1:
            mend = "make a [[trigger]] of its own for each of value, rate and strain"
            keys.fault("levels", ", ".join(kinds), "levels of one trigger in one quantity", mend)
        elif sizes != sorted(sizes) or len({level.value > 0 for level in levels}) > 1:
            keys.fault(
                "levels",
                [level.value for level in levels],
                "levels of one sign in rising order",
                "sort the levels",
            )
        needed, of = self.confirm(keys)
        kind = kinds[0] if kinds else "value"
        default = measure if kind == "value" else f"{measure} {kind}"
        trigger = Trigger(
            keys.text("name", default),
            measure,
            cast(Literal["value", "rate", "strain"], kind),
            cast(Datum, since),
            tuple(levels),
            needed,
            of,
            keys.texts("sections"),
            keys.texts("positions"),
            keys.line("name"),
        )
        keys.close()
        return trigger if len(self.faults) == before else None

    def confirm(self, keys: Keys) -> tuple[int, int]:
        """How many of how many readings confirm a passage; "2 of 3", a table or a number n (n of n)."""
        if not keys.has("confirm"):
            return 2, 3
        value = keys.values["confirm"]
        form = r"\s*([0-9]{1,3})\s*(?:of|/)\s*([0-9]{1,3})\s*(?:readings)?\s*"
        found = re.fullmatch(form, value) if isinstance(value, str) else None
        pair: list[object] = [0, 0]
        if found:
            pair = [int(found[1]), int(found[2])]
        elif isinstance(value, dict):
            pair = [value.get("needed", value.get("n")), value.get("of", value.get("m"))]
        else:
            pair = [value, value]
        needed, of = (number if type(number) is int else 0 for number in pair)
        if not 1 <= needed <= of <= 100:
            keys.fault("confirm", value, 'a rule as "2 of 3"', 'write confirm = "2 of 3"')
            return 2, 3
        return needed, of

    def chords(self) -> tuple[ChordPair, ...]:
        pairs = []
        for keys in self.many("chord"):
            pair = ChordPair(
                keys.text("section", "*"), keys.text("from"), keys.text("to"), keys.line("section")
            )
            keys.close()
            if pair.start and pair.start == pair.end:
                keys.fault("to", pair.end, "another position than from", "correct one of the two")
            pairs.append(pair)
        return tuple(pairs)

    def free(self, name: str) -> dict[str, object]:
        """A table kept as it is for the lining tools."""
        keys = self.one(name)
        return dict(keys.values) if keys else {}


_TABLES = (
    "tunnel",
    "alignment",
    "profile",
    "stage",
    "calendar",
    "plan",
    "projection",
    "trigger",
    "chord",
    "lining",
    "ground",
)


def _level_value(keys: Keys) -> tuple[float | None, str]:
    """Value and quantity ("value", "rate", "strain") of one level."""
    found: list[tuple[float | None, str]] = []
    for unit, factor in MILLIMETRES.items():
        for suffix, kind in (("", "value"), ("_per_day", "rate")):
            key = f"value_{unit}{suffix}"
            if keys.has(key):
                number = keys.number(key, low=-1e6, high=1e6)
                found.append((None if number is None else number * factor, kind))
    if keys.has("value_percent"):
        found.append((keys.number("value_percent", low=-100.0, high=100.0), "strain"))
    if len(found) != 1:
        expected = "one of value_mm, value_mm_per_day, value_percent (or _in, _ft, _m)"
        mend = "give each level one value with its unit in the key"
        keys.fault("value_mm", ", ".join(map(str, keys.values)), expected, mend)
        return None, "value"
    if found[0][0] == 0.0:
        keys.fault("value_mm", 0.0, "a level that is not zero", "correct the level")
    return found[0]


def _utc(instant: datetime.datetime) -> np.datetime64:
    return np.datetime64(instant.astimezone(datetime.UTC).replace(tzinfo=None), "ns")
