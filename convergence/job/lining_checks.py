"""What is missing from ``[ground]`` and ``[lining]``, or contradicts itself: told while reading, not when used."""

from __future__ import annotations

from convergence.job.design_assumptions import Assumption, GroundAssumptions, LiningAssumptions
from convergence.job.keys import Keys
from convergence.job.near import near_name

ROCK = ("strength_index", "intact_constant", "disturbance")


def check_ground(keys: Keys, found: GroundAssumptions) -> None:
    """Fault what every ground needs, what goes with a strength, and strengths that cannot be."""
    for key, given, words in (
        ("vertical_stress_mpa", found.vertical_stress, "the vertical stress of the undisturbed ground"),
        ("modulus_mpa", found.modulus, "Young's modulus of the ground"),
        ("poisson_ratio", found.poisson_ratio, "Poisson's ratio of the ground"),
    ):
        _needed(keys, key, given, words, "ground")
    if found.cohesion is not None and found.intact_strength is not None:
        expected = "one strength: cohesion_mpa and friction_deg, or intact_strength_mpa and what goes with it"
        keys.fault("intact_strength_mpa", keys.values["intact_strength_mpa"], expected, "remove one of the two")
    elif found.cohesion is not None:
        _needed(keys, "friction_deg", found.friction_angle, "friction_deg beside cohesion_mpa", "ground")
    elif found.friction_angle is not None:
        _needed(keys, "cohesion_mpa", found.cohesion, "cohesion_mpa beside friction_deg", "ground")
    elif found.intact_strength is not None:
        for key in ROCK[:2]:
            _needed(keys, key, getattr(found, key), f"{key} beside intact_strength_mpa", "ground")
    if found.intact_strength is None and "intact_strength_mpa" not in keys.values:
        for key in ROCK:
            if getattr(found, key) is not None:
                expected = f"intact_strength_mpa beside {key}"
                keys.fault(key, keys.values[key], expected, f"add intact_strength_mpa = ... or remove {key}")
    _check_dilation(keys, found)
    _not_from_zero(keys, "cohesion_mpa", found.cohesion)
    _not_from_zero(keys, "friction_deg", found.friction_angle)
    _not_from_zero(keys, "strength_index", found.strength_index)
    share = found.release_at_support
    if share is not None and not (share.low > 0.0 and share.high < 1.0):
        expected = "a share above 0 and below 1"
        keys.fault("release_at_support", keys.values["release_at_support"], expected, "correct the ends of the range")


def check_lining(keys: Keys, found: LiningAssumptions) -> None:
    """Fault a lining without thickness, time or modulus, and numbers that have no partner or cannot be together."""
    if found.layers:
        _check_layers(keys, found)
    elif not any(key == "layers" or key.startswith("thickness") for key in keys.values):
        rest = [name for name in keys.values if not name.startswith("radius")]
        if any(keys.knows(name) for name in rest):
            expected = "the thickness of the lining beside its other numbers"
            keys.fault("thickness_m", None, expected, "add thickness_m = ... to [lining], or layers = [...]")
    for first, one, second, other in (
        ("closure_distance_m", found.closure_distance, "open_share", found.open_share),
        ("girder_area_mm2", found.girder_area, "girder_spacing_m", found.girder_spacing),
    ):
        _both(keys, first, one, second, other)
    steel = (
        ("mesh_area_mm2_per_m", found.mesh_area), ("cover_mm", found.cover), ("steel_yield_mpa", found.steel_yield)
    )  # fmt: skip
    if found.mesh_area is not None or found.cover is not None:
        for key, given in steel:
            _needed(keys, key, given, f"{key}, for mesh is counted with area, cover and yield strength", "lining")
    _not_from_zero(keys, "closure_distance_m", found.closure_distance)
    _not_from_zero(keys, "open_share", found.open_share)
    if found.open_share is not None and found.open_share.is_range and found.open_share.high >= 1.0:
        expected = "a range below 1, or one number"
        keys.fault("open_share", keys.values["open_share"], expected, "correct the high end of the range")


def _check_layers(keys: Keys, found: LiningAssumptions) -> None:
    """Layers there are: when they come, how thick they are, what they are made of."""
    whole = found.thickness
    assert whole is not None  # there are layers
    if not any(key in ("layers", "after_hours") or key.startswith("face_distance") for key in keys.values):
        expected = "when the lining is sprayed, after_hours or face_distance_m"
        keys.fault("after_hours", None, expected, "add after_hours = ... to [lining]")
    _needed(keys, "modulus_mpa", found.modulus, "Young's modulus of the concrete at 28 days", "lining")
    key = "layers" if "layers" in keys.values else _key_of(keys, "thickness")
    if min(layer.thickness.low for layer in found.layers) <= 0.0:
        keys.fault(key, keys.values[key], "a thickness above 0", "correct the thickness")
    elif found.radius is not None and whole.high >= found.radius.low:
        expected = f"a thickness below the radius of the tunnel, {found.radius.low:g} m"
        keys.fault(key, keys.values[key], expected, "correct the thickness or the radius, or their units")
    elif found.cover is not None and 2.0 * found.cover.high >= whole.low:
        expected = f"a cover below half of the thickness, {500.0 * whole.low:g} mm"
        name = _key_of(keys, "cover")
        keys.fault(name, keys.values[name], expected, "correct the cover or the thickness, or their units")


def _check_dilation(keys: Keys, found: GroundAssumptions) -> None:
    """Dilation goes with a strength, and not beyond friction."""
    if found.dilation_angle is None:
        return
    given = keys.values["dilation_deg"]
    if found.strength == "elastic" and not {"friction_deg", "cohesion_mpa", "intact_strength_mpa"} & set(keys.values):
        keys.fault("dilation_deg", given, "a strength beside dilation_deg", "add the strength, or remove dilation_deg")
    elif found.friction_angle is not None and _beyond(found.dilation_angle, found.friction_angle):
        expected = f"not above friction_deg = {keys.values['friction_deg']}, its low end where it is a range"
        keys.fault("dilation_deg", given, expected, "correct one of the two angles, or their ranges")


def _beyond(dilation: Assumption, friction: Assumption) -> bool:
    """Whether ground would dilate by more than its friction; turned angles may be off in the last digit."""
    return dilation.high > friction.low * (1.0 + 1e-12)


def _needed(keys: Keys, key: str, given: Assumption | None, words: str, table: str) -> None:
    """Fault a number that is not there, unless something at fault stands under a key of it already."""
    stem = key.rsplit("_", 1)[0] if key.endswith(("_m", "_mm", "_mm2")) else key.removesuffix("_mm2_per_m")
    # a key mistyped is told as such when the table is closed
    there = (name.startswith(stem) or (not keys.knows(name) and near_name(name, {key})) for name in keys.values)
    if given is None and not any(there):
        keys.fault(key, None, words, f"add {key} = ... to [{table}]")


def _both(keys: Keys, first: str, one: Assumption | None, second: str, other: Assumption | None) -> None:
    """Fault one of a pair without the other: alone it would do nothing."""
    if one is not None:
        _needed(keys, second, other, f"{second} beside {first}", "lining")
    elif other is not None:
        _needed(keys, first, one, f"{first} beside {second}", "lining")


def _not_from_zero(keys: Keys, key: str, given: Assumption | None) -> None:
    """Fault a range that begins at 0 where the number is looked for on the scale of its logarithm."""
    if given is not None and given.is_range and given.low <= 0.0:
        name = _key_of(keys, key.rsplit("_", 1)[0])
        expected = "a range that begins above 0, or one number"
        keys.fault(name, keys.values[name], expected, "correct the low end of the range")


def _key_of(keys: Keys, stem: str) -> str:
    """The key under which a quantity stands."""
    return next((name for name in keys.values if name.startswith(stem)), stem)
