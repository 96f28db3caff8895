"""``[ground]`` and ``[lining]`` of the settings file: the assumptions of the design, with their ranges.

A number stands as itself, as a range ``[low, high]`` (the value is the middle) or as
``{value = ..., low = ..., high = ...}``.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping

from convergence.job.design_assumptions import (
    Assumption,
    GroundAssumptions,
    LayerAssumption,
    LiningAssumptions,
    age_table_fault,
    closed_before_spraying,
    layers_out_of_order,
)
from convergence.job.design_ranges import DEGREE, GROUND, LAYER, LIKE_RADIANS, LINING, MOST_SHARE, Span
from convergence.job.keys import LARGEST, Keys
from convergence.job.lining_checks import check_ground, check_lining
from convergence.units import LENGTH_SUFFIXES, METRES

#: Names the lining tools know; a test holds them to those of `convergence.lining`.
PROFILES = ("vlachopoulos diederichs", "unlu gercek", "chern", "panet", "corbetta")
AGE_CURVES = (
    "constant", "en 1992 rapid", "en 1992 normal", "en 1992 slow", "model code rapid", "chang stille",
    "weber aldrian", "hyperbolic", "measured 2017",
)  # fmt: skip
TABLE = "table"
RANGE_FORMS = "a number, a range [low, high] or {value = ..., low = ..., high = ...}"

SQUARE_METRES = {"mm2": 1e-6, "cm2": 1e-4, "m2": 1.0}


def read_ground(keys: Keys | None) -> GroundAssumptions | None:
    """The assumptions on the ground; None where there is no table."""
    if keys is None:
        return None
    found = GroundAssumptions(
        vertical_stress=_of(keys, "vertical_stress_mpa", GROUND["vertical_stress"]),
        stress_ratio=_of(keys, "stress_ratio", GROUND["stress_ratio"]),
        modulus=_of(keys, "modulus_mpa", GROUND["modulus"]),
        poisson_ratio=_of(keys, "poisson_ratio", GROUND["poisson_ratio"]),
        cohesion=_of(keys, "cohesion_mpa", GROUND["cohesion"]),
        friction_angle=_angle(keys, "friction_deg", GROUND["friction_angle"]),
        dilation_angle=_angle(keys, "dilation_deg", GROUND["dilation_angle"]),
        intact_strength=_of(keys, "intact_strength_mpa", GROUND["intact_strength"]),
        strength_index=_of(keys, "strength_index", GROUND["strength_index"]),
        intact_constant=_of(keys, "intact_constant", GROUND["intact_constant"]),
        disturbance=_of(keys, "disturbance", GROUND["disturbance"]),
        release_at_support=_of(keys, "release_at_support", GROUND["release_at_support"]),
        profile=keys.text("profile", "", choices=PROFILES),
    )
    check_ground(keys, found)
    keys.close()
    return found


def read_lining(keys: Keys | None) -> LiningAssumptions | None:
    """The assumptions on the lining; None where there is no table."""
    if keys is None:
        return None
    curve = keys.text("age_curve", "", choices=(*AGE_CURVES, TABLE))
    ages, moduli, strengths = (numbers(keys, key) for key in ("ages_days", "modulus_shares", "strength_shares"))
    _check_age_table(keys, curve, ages, moduli, strengths)
    if age_table_fault(ages, moduli, strengths):
        ages, moduli, strengths = (), (), ()
    layers = _layers(keys)
    closure = _length(keys, "closure_distance", LINING["closure_distance"])
    early = closed_before_spraying(layers, closure)
    if early:
        key = next(name for name in keys.values if name.startswith("closure_distance"))
        keys.fault(key, keys.values[key], "a ring that closes not before its first layer is sprayed", _mend(early))
        closure = None
    found = LiningAssumptions(
        radius=_length(keys, "radius", LINING["radius"]),
        layers=layers,
        modulus=_of(keys, "modulus_mpa", LINING["modulus"]),
        strength=_of(keys, "strength_mpa", LINING["strength"]),
        poisson_ratio=_of(keys, "poisson_ratio", LINING["poisson_ratio"]),
        age_curve=TABLE if ages and not curve else curve,
        ages=ages,
        modulus_shares=moduli,
        strength_shares=strengths,
        creep_coefficient=_of(keys, "creep_coefficient", LINING["creep_coefficient"]),
        closure_distance=closure,
        open_share=_of(keys, "open_share", LINING["open_share"]),
        girder_area=_area(keys, "girder_area", ""),
        girder_spacing=_length(keys, "girder_spacing", LINING["girder_spacing"]),
        mesh_area=_area(keys, "mesh_area", "_per_m"),
        cover=_length(keys, "cover", LINING["cover"]),
        steel_yield=_of(keys, "steel_yield_mpa", LINING["steel_yield"]),
    )
    check_lining(keys, found)
    keys.close()
    return found


def assumption(keys: Keys, key: str, low: float, high: float, factor: float = 1.0) -> Assumption | None:
    """One number with its range, in units of the file times `factor`; None where absent or at fault."""
    if not keys.has(key):
        return None
    value = keys.values[key]
    if isinstance(value, Mapping):
        spare = [name for name in value if name not in ("value", "low", "high")]
        parts = [value.get("low", value.get("value")), value.get("value"), value.get("high", value.get("value"))]
        if parts[1] is None and parts[0] is not None and parts[2] is not None:
            parts[1] = _middle(parts[0], parts[2])
        if spare:
            parts = [None]
    elif isinstance(value, list) and len(value) == 2:
        parts = [value[0], _middle(value[0], value[1]), value[1]]
    else:
        parts = [value, value, value]
    given = [part for part in parts if isinstance(part, int | float) and not isinstance(part, bool)]
    if len(given) != 3 or not all(abs(part) <= LARGEST for part in given):
        keys.fault(key, value, RANGE_FORMS, f"write {key} = a number, or [low, high]")
        return None
    if not given[0] <= given[1] <= given[2]:
        keys.fault(key, value, "low <= value <= high", "sort the numbers of the range")
        return None
    if not low <= given[0] or not given[2] <= high:
        keys.fault(key, value, f"numbers from {low:g} to {high:g}", "correct the value, or its unit")
        return None
    return Assumption(*(float(given[place]) * factor for place in (1, 0, 2)))


def length_assumption(keys: Keys, quantity: str, low: float, high: float) -> Assumption | None:
    """A length with its range under a key that carries its unit, in metres; the bounds are in metres too."""
    return _with_unit(keys, quantity, {f"{quantity}_{unit}": factor for unit, factor in METRES.items()}, low, high)


def numbers(keys: Keys, key: str) -> tuple[float, ...]:
    """A list of finite numbers; empty where absent or at fault."""
    if not keys.has(key):
        return ()
    value = keys.values[key]
    good = isinstance(value, list) and value and all(type(item) in (int, float) for item in value)
    if not good or not isinstance(value, list) or not all(abs(item) <= LARGEST for item in value):
        keys.fault(key, value, "a list of numbers", f"write {key} = [1, 28]")
        return ()
    return tuple(float(item) for item in value)


def _middle(low: object, high: object) -> object:
    if isinstance(low, int | float) and isinstance(high, int | float) and max(abs(low), abs(high)) <= LARGEST:
        return 0.5 * (low + high)
    return None


def _area(keys: Keys, quantity: str, ending: str) -> Assumption | None:
    """An area under a key that carries its unit, in square metres."""
    units = {f"{quantity}_{unit}{ending}": factor for unit, factor in SQUARE_METRES.items()}
    return _with_unit(keys, quantity, units, LINING[quantity].low, LINING[quantity].high)


def _of(keys: Keys, key: str, span: Span, factor: float = 1.0) -> Assumption | None:
    """A number within its range; `factor` from the unit of the file to that used inside."""
    return assumption(keys, key, span.low / factor, span.high / factor, factor)


def _length(keys: Keys, quantity: str, span: Span) -> Assumption | None:
    """A length within its range."""
    return length_assumption(keys, quantity, span.low, span.high)


def _angle(keys: Keys, key: str, span: Span) -> Assumption | None:
    """An angle in degrees; what looks like radians is refused."""
    found = _of(keys, key, span, DEGREE)
    if found is not None and 0.0 < found.high / DEGREE < LIKE_RADIANS:
        expected = f"degrees, 0 or {LIKE_RADIANS:g} and more; these look like radians"
        keys.fault(key, keys.values[key], expected, f"give degrees: {found.high / DEGREE:g} rad are "
                   f"{found.high / DEGREE**2:.3g} degrees")  # fmt: skip
        return None
    return found


def _with_unit(keys: Keys, quantity: str, units: Mapping[str, float], low: float, high: float) -> Assumption | None:
    """A quantity under one of the keys that carry its unit."""
    carried = keys.alternatives(list(units))
    if len(carried) > 1:
        expected = f"{quantity} in one unit"
        keys.fault(carried[1], keys.values[carried[1]], expected, f"keep one of {', '.join(carried)}")
        return None
    if carried:
        factor = units[carried[0]]
        return assumption(keys, carried[0], low / factor, high / factor, factor)
    if keys.has(quantity):
        known = LENGTH_SUFFIXES if f"{quantity}_m" in units else ", ".join(units)
        expected = f"{quantity} with its unit in the key, one of {known}"
        keys.fault(quantity, keys.values[quantity], expected, f"rename the key to {next(iter(units))}, or as it is")
    return None


def _layers(keys: Keys) -> tuple[LayerAssumption, ...]:
    """The layers, or one layer of the whole thickness."""
    thickness = _length(keys, "thickness", LAYER["thickness"])
    delay, distance = _when(keys)
    rows = keys.tables("layers")
    if not rows:
        return () if thickness is None else (LayerAssumption(thickness, delay, distance),)
    if thickness is not None or delay is not None or distance is not None:
        expected = "the lining as a whole (thickness_m and when it is sprayed), or by its layers"
        keys.fault("layers", rows, expected, "keep one of the two")
        return ()
    found = []
    for index, row in enumerate(rows):
        inner = keys.inner(row, "layers", index)
        part = _length(inner, "thickness", LAYER["thickness"])
        after, past = _when(inner)
        if part is None and not any(key.startswith("thickness") for key in row):
            inner.fault("thickness_m", None, "the thickness of the layer", "add thickness_m = ... to the layer")
        if after is None and past is None and not any(key in row for key in ("after_hours", "face_distance_m")):
            expected = "when the layer is sprayed, after_hours or face_distance_m"
            inner.fault("after_hours", None, expected, "add after_hours = ... to the layer")
        inner.close()
        if part is not None:
            found.append(LayerAssumption(part, after, past))
    wrong = layers_out_of_order(tuple(found))
    if wrong:
        expected = "layers from the ground inwards, each sprayed after the one before"
        keys.fault("layers", keys.values["layers"], expected, _mend(wrong))
        return ()
    return tuple(found)


def _mend(words: str) -> str:
    """The way out that a message tells, for a fault of the file."""
    return words.partition("To mend: ")[2].rstrip(".")


def _when(keys: Keys) -> tuple[Assumption | None, Assumption | None]:
    """When concrete is sprayed: days after the face passed, or face distance [m]."""
    delay = _of(keys, "after_hours", LAYER["delay"], 1.0 / 24.0)
    distance = _length(keys, "face_distance", LAYER["face_distance"])
    if delay is not None and distance is not None:
        expected = "one of after_hours and face_distance_m"
        keys.fault("after_hours", keys.values["after_hours"], expected, "remove one of the two")
        return delay, None
    return delay, distance


def _check_age_table(
    keys: Keys, curve: str, ages: tuple[float, ...], moduli: tuple[float, ...], strengths: tuple[float, ...]
) -> None:
    """Fault a table of ages that is not one, or stands beside a named curve."""
    shown = list(ages)
    if ages and curve not in ("", TABLE):
        expected = "a named curve or a table of ages, not both"
        keys.fault("age_curve", curve, expected, 'write age_curve = "table", or remove ages_days')
    elif curve == TABLE and not ages and "ages_days" not in keys.values:
        keys.fault("ages_days", None, "ages of the table", "add ages_days and modulus_shares to [lining]")
    elif ages and (ages[0] <= 0.0 or any(later <= age for age, later in itertools.pairwise(ages))):
        keys.fault("ages_days", shown, "ages in days, positive and rising", "sort the table by age")
    elif ages and not moduli and "modulus_shares" not in keys.values:
        keys.fault("modulus_shares", None, "a share of the modulus for each age", "add modulus_shares to [lining]")
    for key, shares in (("modulus_shares", moduli), ("strength_shares", strengths)):
        if shares and (len(shares) != len(ages) or min(shares) < 0.0):
            expected = f"{len(ages)} shares of 0 or more, one for each age"
            keys.fault(key, list(shares), expected, "give one share for each of ages_days")
        elif shares and max(shares) > MOST_SHARE:
            expected = f"shares of the value at 28 days, up to {MOST_SHARE:g}; these look like per cent"
            keys.fault(key, list(shares), expected, "divide by 100: 1 stands for the value at 28 days")
