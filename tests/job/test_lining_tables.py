"""``[ground]`` and ``[lining]`` of ``tunnel.toml``: what is read, and how faults are told."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest

from convergence import lining
from convergence.errors import Fault, ValueFault
from convergence.job import lining_tables
from convergence.job.design_assumptions import Assumption, GroundAssumptions, LayerAssumption, LiningAssumptions
from convergence.job.schema import Settings
from convergence.job.settings import read_settings
from convergence.lining.release import PROFILES

TUNNEL = '[tunnel]\nwidth_m = 10\ndrive = "down-chainage"\n'


def read(folder: Path, text: str) -> tuple[Settings | None, list[Fault], list[str]]:
    (folder / "tunnel.toml").write_text(TUNNEL + text, encoding="utf-8")
    faults: list[Fault] = []
    remarks: list[str] = []
    return read_settings(folder, faults, remarks), faults, remarks


def one(value: float) -> Assumption:
    return Assumption(value, value, value)


def test_names_are_those_of_the_lining_tools() -> None:
    assert set(lining_tables.PROFILES) == set(PROFILES)
    assert set(lining_tables.AGE_CURVES) == set(lining.AGE_CURVES)


def test_every_key_of_the_ground(tmp_path: Path) -> None:
    settings, faults, remarks = read(
        tmp_path,
        "[ground]\nvertical_stress_mpa = {value = 4.5, low = 3.5, high = 5}\nstress_ratio = [0.5, 1.1]\n"
        "modulus_mpa = {low = 800, high = 1600}\npoisson_ratio = 0.3\ncohesion_mpa = 0.6\nfriction_deg = [25, 35]\n"
        'dilation_deg = 5\nrelease_at_support = [0.3, 0.6]\nprofile = "unlu gercek"\n',
    )
    assert (faults, remarks) == ([], [])
    assert settings is not None
    degree = math.pi / 180.0
    assert settings.ground == GroundAssumptions(
        vertical_stress=Assumption(4.5, 3.5, 5.0), stress_ratio=Assumption(0.8, 0.5, 1.1),
        modulus=Assumption(1200.0, 800.0, 1600.0), poisson_ratio=one(0.3), cohesion=one(0.6),
        friction_angle=Assumption(30 * degree, 25 * degree, 35 * degree), dilation_angle=one(5 * degree),
        release_at_support=Assumption(0.5 * (0.3 + 0.6), 0.3, 0.6), profile="unlu gercek",
    )  # fmt: skip
    assert settings.ground.strength == "mohr coulomb"
    assert settings.ground.modulus is not None
    assert settings.ground.modulus.is_range
    assert settings.lining is None
    rock, faults, _ = read(
        tmp_path,
        SOIL + "intact_strength_mpa = 20\nstrength_index = [25, 35]\nintact_constant = 8\ndisturbance = 0\n",
    )
    assert faults == []
    assert rock is not None
    assert rock.ground is not None
    assert rock.ground.strength == "hoek brown"
    assert GroundAssumptions().strength == "elastic"


def test_every_key_of_the_lining(tmp_path: Path) -> None:
    settings, faults, remarks = read(
        tmp_path,
        "[lining]\nradius_ft = 20\nmodulus_mpa = [12000, 25000]\nstrength_mpa = 25\npoisson_ratio = 0.2\n"
        'age_curve = "en 1992 rapid"\ncreep_coefficient = [0.5, 1.5]\nclosure_distance_m = 12\n'
        "open_share = [0.1, 0.5]\n"
        "girder_area_mm2 = 1400\ngirder_spacing_m = 1\nmesh_area_mm2_per_m = 377\ncover_mm = 40\n"
        "steel_yield_mpa = 500\nlayers = [{thickness_mm = 100, after_hours = 3}, "
        "{thickness_m = [0.1, 0.2], face_distance_m = 5}]\n",
    )
    assert (faults, remarks) == ([], [])
    assert settings is not None
    assert settings.lining == LiningAssumptions(
        radius=one(20 * 0.3048),
        layers=(LayerAssumption(one(0.1), delay=one(0.125)),
                LayerAssumption(Assumption(0.5 * (0.1 + 0.2), 0.1, 0.2), face_distance=one(5.0))),
        modulus=Assumption(18_500.0, 12e3, 25e3), strength=one(25.0), poisson_ratio=one(0.2),
        age_curve="en 1992 rapid", creep_coefficient=Assumption(1.0, 0.5, 1.5), closure_distance=one(12.0),
        open_share=Assumption(0.3, 0.1, 0.5), girder_area=one(1400 * 1e-6), girder_spacing=one(1.0),
        mesh_area=one(377 * 1e-6), cover=one(0.04), steel_yield=one(500.0),
    )  # fmt: skip
    whole = settings.lining.thickness
    assert whole is not None
    assert (whole.low, whole.value, whole.high) == pytest.approx((0.2, 0.25, 0.3))


def test_a_whole_lining_and_a_table_of_ages(tmp_path: Path) -> None:
    settings, faults, _ = read(
        tmp_path,
        "[lining]\nmodulus_mpa = 12000\nthickness_m = 0.25\nface_distance_m = [1, 3]\n"
        "ages_days = [1, 28]\nmodulus_shares = [0.66, 1]\n",
    )
    assert faults == []
    assert settings is not None
    assert settings.lining is not None
    assert settings.lining.layers == (LayerAssumption(one(0.25), face_distance=Assumption(2.0, 1.0, 3.0)),)
    assert (settings.lining.age_curve, settings.lining.ages) == ("table", (1.0, 28.0))
    assert settings.lining.modulus_shares == (0.66, 1.0)


#: What every [ground] needs, and every [lining] with a layer.
SOIL = "[ground]\nvertical_stress_mpa = 3\nmodulus_mpa = 900\npoisson_ratio = 0.3\n"
HALF = "[ground]\nvertical_stress_mpa = 3\npoisson_ratio = 0.3\n"
RING = "[lining]\nthickness_m = 0.25\nafter_hours = 4\nmodulus_mpa = 12000\n"
OPEN = "[lining]\nmodulus_mpa = 12000\n"
STEEL = "steel_yield_mpa = 500\n"

FAULTS = {
    HALF + "modulus_mpa = [900, 700]": ("ground.modulus_mpa", "low <= value <= high"),
    HALF + "modulus_mpa = 'soft'": ("ground.modulus_mpa", "a range"),
    HALF + "modulus_mpa = {value = 900, about = 3}": ("ground.modulus_mpa", "a range"),
    HALF + "modulus_mpa = [1, 2, 3]": ("ground.modulus_mpa", "a range"),
    HALF + "modulus_mpa = true": ("ground.modulus_mpa", "a range"),
    HALF + "modulus_mpa = nan": ("ground.modulus_mpa", "a range"),
    HALF + f"modulus_mpa = 1{'0' * 400}": ("ground.modulus_mpa", "a range"),
    HALF + f"modulus_mpa = [1, 1{'0' * 400}]": ("ground.modulus_mpa", "a range"),
    HALF + "modulus_mpa = 9e9": ("ground.modulus_mpa", "numbers from"),
    HALF: ("ground.modulus_mpa", "modulus of the ground"),
    "[ground]\nmodulus_mpa = 900\npoisson_ratio = 0.3": ("ground.vertical_stress_mpa", "vertical stress"),
    "[ground]\nmodulus_mpa = 900\nvertical_stress_mpa = 3": ("ground.poisson_ratio", "Poisson's ratio"),
    SOIL.replace("modulus_mpa", "modulus_mp"): ("ground.modulus_mp", "is modulus_mpa meant?"),
    SOIL + "profile = 'pane'": ("ground.profile", "one of vlachopoulos"),
    SOIL + "cohesion_mpa = 1": ("ground.friction_deg", "beside cohesion_mpa"),
    SOIL + "friction_deg = 30": ("ground.cohesion_mpa", "beside friction_deg"),
    SOIL + "intact_strength_mpa = 20\nstrength_index = 30": ("ground.intact_constant", "beside intact"),
    SOIL + "cohesion_mpa = 1\nfriction_deg = 30\nintact_strength_mpa = 20": (
        "ground.intact_strength_mpa", "one strength"
    ),
    SOIL + "strength_index = 40": ("ground.strength_index", "intact_strength_mpa beside"),
    SOIL + "disturbance = 0.5": ("ground.disturbance", "intact_strength_mpa beside"),
    SOIL + "dilation_deg = 5": ("ground.dilation_deg", "a strength beside"),
    SOIL + "cohesion_mpa = 1\nfriction_deg = 25\ndilation_deg = 30": (
        "ground.dilation_deg", "not above friction_deg = 25"
    ),
    SOIL + "cohesion_mpa = [0, 1]\nfriction_deg = 25": ("ground.cohesion_mpa", "begins above 0"),
    SOIL + "release_at_support = [0, 0.5]": ("ground.release_at_support", "above 0 and below 1"),
    SOIL + "release_at_support = 1": ("ground.release_at_support", "above 0 and below 1"),
    "[lining]\nthickness = 0.3": ("lining.thickness", "unit in the key"),
    OPEN + "thickness_m = 0.3\nthickness_mm = 300": ("lining.thickness_mm", "in one unit"),
    OPEN + "thickness_mm = 0.3e6": ("lining.thickness_mm", "numbers from 0 to 5000"),
    OPEN + "thickness_m = 0.3\nafter_hours = 3\nface_distance_m = 2": ("lining.after_hours", "one of after_hours"),
    OPEN + "thickness_m = 0.3\nlayers = [{thickness_m = 0.1, after_hours = 2}]": ("lining.layers", "as a whole"),
    OPEN + "layers = [{after_hours = 2}]": ("lining.layers.thickness_m", "thickness of the layer"),
    OPEN + "layers = [{thickness_m = 0.1}]": ("lining.layers.after_hours", "when the layer is sprayed"),
    OPEN + "thickness_m = 0.3": ("lining.after_hours", "when the lining is sprayed"),
    OPEN: ("lining.thickness_m", "thickness of the lining"),
    "[lining]\nstrength_mpa = 25": ("lining.thickness_m", "thickness of the lining"),
    "[lining]\nthickness_m = 0.3\nafter_hours = 3": ("lining.modulus_mpa", "modulus of the concrete"),
    OPEN + "thickness_m = [0, 0.3]\nafter_hours = 3": ("lining.thickness_m", "above 0"),
    RING + "radius_m = 0.25": ("lining.thickness_m", "below the radius of the tunnel, 0.25 m"),
    OPEN + "layers = [{thickness_m = 0.1, after_hours = 9}, {thickness_m = 0.1, after_hours = 2}]": (
        "lining.layers", "each sprayed after"
    ),
    SOIL + "cohesion_mpa = 1\nfriction_deg = 0.5": ("ground.friction_deg", "look like radians"),
    SOIL + "cohesion_mpa = 1\nfriction_deg = 30\ndilation_deg = [0.05, 0.1]": (
        "ground.dilation_deg", "look like radians"
    ),
    SOIL + "cohesion_mpa = 1\nfriction_deg = [20, 30]\ndilation_deg = [5, 25]": (
        "ground.dilation_deg", "not above friction_deg = [20, 30], its low end"
    ),
    SOIL.replace("= 3", "= 3000", 1): ("ground.vertical_stress_mpa", "numbers from 0.001 to 200"),
    OPEN + "layers = [{thickness_m = 0.1, face_distance_m = 50}, {thickness_m = 0.15, after_hours = 5}]": (
        "lining.layers", "each sprayed after"
    ),
    OPEN + "thickness_m = 0.2\nface_distance_m = 5\nclosure_distance_m = 3\nopen_share = 0.4": (
        "lining.closure_distance_m", "not before its first layer"
    ),
    RING + "ages_days = [1, 28]\nmodulus_shares = [60, 100]": ("lining.modulus_shares", "look like per cent"),
    RING + "ages_days = [1, 28]\nmodulus_shares = [0.6, 1]\nstrength_shares = [40, 100]": (
        "lining.strength_shares", "look like per cent"
    ),
    RING + "age_curve = 'table'": ("lining.ages_days", "ages of the table"),
    RING + "ages_days = [1, 28]": ("lining.modulus_shares", "for each age"),
    RING + "ages_days = [28, 1]\nmodulus_shares = [1, 1]": ("lining.ages_days", "positive and rising"),
    RING + "ages_days = [1, 28]\nmodulus_shares = [1]": ("lining.modulus_shares", "2 shares"),
    RING + "ages_days = 'x'": ("lining.ages_days", "a list of numbers"),
    RING + "age_curve = 'chern'": ("lining.age_curve", "one of constant"),
    RING + "age_curve = 'constant'\nages_days = [1]\nmodulus_shares = [1]": ("lining.age_curve", "not both"),
    RING + "girder_area_mm2 = 1000": ("lining.girder_spacing_m", "beside girder_area"),
    RING + "girder_spacing_m = 1": ("lining.girder_area_mm2", "beside girder_spacing"),
    RING + "girder_area = 1000\ngirder_spacing_m = 1": ("lining.girder_area", "unit in the key"),
    RING + "closure_distance_m = 12": ("lining.open_share", "beside closure_distance_m"),
    RING + "open_share = 0.4": ("lining.closure_distance_m", "beside open_share"),
    RING + "closure_distance_m = 12\nopen_share = [0.5, 1]": ("lining.open_share", "below 1"),
    RING + "mesh_area_mm2_per_m = 300\ncover_mm = 40": ("lining.steel_yield_mpa", "counted with"),
    RING + STEEL + "mesh_area_mm2_per_m = 300": ("lining.cover_mm", "counted with"),
    RING + STEEL + "mesh_area_mm2_per_m = 300\ncover_mm = 130": ("lining.cover_mm", "half of the thickness, 125 mm"),
}  # fmt: skip


@pytest.mark.parametrize("text", FAULTS, ids=lambda text: text.replace("\n", " ")[-60:])
def test_faults_name_key_expectation_and_way_out(tmp_path: Path, text: str) -> None:
    column, words = FAULTS[text]
    settings, faults, _ = read(tmp_path, text + "\n")
    assert settings is None
    assert [fault.column for fault in faults] == [column]
    assert words in faults[0].expected
    assert faults[0].mend
    assert faults[0].line is not None


def test_unknown_keys_are_remarked(tmp_path: Path) -> None:
    settings, faults, remarks = read(tmp_path, SOIL + "weather = 3\n[lining]\ncolour = 'grey'\n")
    assert faults == []
    assert settings is not None
    assert len(remarks) == 2
    assert all("not used" in remark for remark in remarks)


def test_shares_and_angles_at_the_ends_are_read(tmp_path: Path) -> None:
    text = SOIL + "cohesion_mpa = 0.1\nfriction_deg = 70\ndilation_deg = 0\n"
    text += RING + "ages_days = [28, 3650]\nmodulus_shares = [1, 1.6]\n"
    settings, faults, _ = read(tmp_path, text)
    assert faults == []
    assert settings is not None
    assert settings.ground is not None
    assert settings.ground.friction_angle == one(70.0 * math.pi / 180.0)


def test_plain_numbers_are_known_ones() -> None:
    ground = GroundAssumptions(vertical_stress=2.4, modulus=900)  # type: ignore[arg-type]
    assert (ground.vertical_stress, ground.modulus) == (one(2.4), one(900.0))
    assert LayerAssumption(0.2, delay=0.4) == LayerAssumption(one(0.2), delay=one(0.4))  # type: ignore[arg-type]


LAYERS = tuple(LayerAssumption(one(0.1), delay=one(days)) for days in (5.0, 0.2))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: Assumption(1000.0, 2200.0, 400.0), "low <= value <= high"),
        (lambda: Assumption(100.0, 400.0, 2200.0), "low <= value <= high"),
        (lambda: one(float("nan")), "finite numbers"),
        (
            lambda: GroundAssumptions(vertical_stress=one(2400.0)),
            "vertical_stress = 2400; expected numbers from .* MPa",
        ),
        (
            lambda: GroundAssumptions(friction_angle=one(30.0)),
            "friction_angle = 30; expected numbers from 0 to 1.22173 rad",
        ),
        (lambda: GroundAssumptions(modulus="soft"), "expected a number or Assumption"),
        (lambda: LiningAssumptions(modulus=one(14.0)), "modulus = 14; expected numbers from 100"),
        (lambda: LiningAssumptions(closure_distance=one(-5.0)), "closure_distance = -5"),
        (lambda: LiningAssumptions(layers=LAYERS), "each sprayed after the one before"),
        (lambda: LiningAssumptions(layers=list(LAYERS)), "a tuple of LayerAssumption"),
        (lambda: LayerAssumption(one(250.0), delay=one(0.2)), "thickness = 250; expected numbers from 0 to 5 m"),
        (lambda: LayerAssumption(one(0.2), one(0.2), one(3.0)), "expected one of them"),
        (lambda: LiningAssumptions(ages=(1.0, 28.0), modulus_shares=(60.0, 100.0)), "and not 100"),
        (lambda: LiningAssumptions(ages=(28.0, 1.0), modulus_shares=(1.0, 0.6)), "sort the table"),
        (
            lambda: LiningAssumptions(
                layers=(LayerAssumption(one(0.2), face_distance=one(5.0)),), closure_distance=one(3.0)
            ),
            "before its first layer at 5 m",
        ),
    ],
)
def test_python_refuses_what_the_file_refuses(call: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueFault, match=words) as caught:
        call()
    assert "expected" in str(caught.value)
    assert "To mend: " in str(caught.value)
