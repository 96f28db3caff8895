"""The laws and profiles by name."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from types import MappingProxyType

from convergence.errors import ValueFault
from convergence.laws import face, profiles, time
from convergence.laws.arrays import FloatArray, positive_values
from convergence.laws.coupled import coupled, coupled_exponential
from convergence.laws.definition import Family, Law, Parameter, Source
from convergence.laws.hereditary import DEFAULT_FACE_SHARE, default_retardation_times, hereditary

__all__ = ["PROFILES", "REGISTRY", "Law", "Parameter", "Profile", "Source", "hereditary_law", "law", "laws"]

_AMPLITUDE = Parameter("amplitude", "A", "mm", "Final movement since the face passed.", "amplitude")
_INSTANT = Parameter("amplitude", "A", "mm", "Movement with the face far, before any creep.", "amplitude")
_LENGTH = Parameter("influence_length", "X", "m", "Distance over which the face still acts on the section.", "length")
_TIME = Parameter("characteristic_time", "T", "days", "Time over which the movement slows down.", "time")
_RATIO = Parameter("creep_ratio", "m", "-", "Final creep over the instantaneous movement.", "ratio")
_EXPONENT = Parameter("exponent", "n", "-", "Power with which the creep dies out.", "exponent")
_SHARE = Parameter(
    "face_share",
    "s",
    "-",
    "Share of the instantaneous movement reached with the face at the section.",
    "share",
)

_PANET_GUENOT = Source(
    "M. Panet and A. Guenot, Analysis of convergence behind the face of a tunnel, Tunnelling '82, IMM "
    "London, 1982, 197-204",
    "from memory",
)
_SULEM = Source(
    "J. Sulem, M. Panet and A. Guenot, Closure analysis in deep tunnels, Int. J. Rock Mech. Min. Sci. & "
    "Geomech. Abstr. 24(3), 1987, 145-154; bibliographic data published, equation from memory",
    "from memory",
)
_REGRESSION = Source("Standard regression function on convergence readings, from regression notes", "secondary source")
_PRACTICE = Source("Used on convergence readings without a known origin", "common practice, no source")

_BEHIND = "Movement since the face passed, one stage; no creep."
_ALONE = "Movement since the face passed, one stage, steady advance; cannot follow a stoppage."


@dataclass(frozen=True)
class Profile:
    """A longitudinal displacement profile: the share of the final wall movement over the face distance.

    Attributes
    ----------
    name : str
        Name in `PROFILES`.
    function : callable
        Takes the face distance [m], then `parameters`.
    parameters : tuple of Parameter
        Parameters in order.
    equation : str
        The equation in symbols.
    validity : str
        Where the profile may be used.
    source : Source
        Where it comes from.
    ahead : bool
        Whether it is defined ahead of the face; if not, it gives NaN there.
    """

    name: str
    function: Callable[..., FloatArray] = field(repr=False)
    parameters: tuple[Parameter, ...] = field(repr=False)
    equation: str
    validity: str = field(repr=False)
    source: Source
    ahead: bool


def hereditary_law(retardation_times: Sequence[float], name: str = "hereditary") -> Law:
    """The hereditary law with a set of retardation times of one's own.

    Parameters
    ----------
    retardation_times : sequence of float, length p
        Retardation times [days], > 0, rising; each gets a creep ratio `creep_1` to `creep_p`.
    name : str
        Name of the law.

    Returns
    -------
    Law
        Not entered in the registry.

    Raises
    ------
    ValueFault
        If there is none, or one is not positive, or they do not rise.
    """
    constants = tuple(float(each) for each in positive_values("retardation times [days]", retardation_times))
    if any(later <= earlier for earlier, later in itertools.pairwise(constants)):
        raise ValueFault(
            f"retardation times [days]: {list(constants)}; expected rising values. To mend: sort them, each once."
        )
    creep = tuple(
        Parameter(
            f"creep_{place}",
            f"m_{place}",
            "-",
            f"Creep with the retardation time {constant:g} days over the instantaneous movement.",
            "ratio",
        )
        for place, constant in enumerate(constants, start=1)
    )
    return Law(
        name=name,
        family="hereditary",
        function=hereditary,
        parameters=(_INSTANT, _LENGTH, *creep, _SHARE),
        equation="A*(L(x(t)) + sum_i m_i*integral_(s<=t) (1 - exp(-(t - s)/tau_i)) dL(x(s)))",
        validity=(
            "Movement since undisturbed ground, one stage, any advance with stoppages; linear creep without "
            "ageing and no stiffening support."
        ),
        source=Source("Correspondence principle of linear viscoelasticity, see the module hereditary", "derived here"),
        fixed={"face_share": DEFAULT_FACE_SHARE},
        retardation_times=constants,
    )


_LAWS = (
    Law(
        "power_face",
        "face",
        face.power_face,
        (_AMPLITUDE, _LENGTH),
        "A*(1 - (X/(x + X))^2)",
        _BEHIND,
        _PANET_GUENOT,
        {},
    ),
    Law(
        "exponential_face",
        "face",
        face.exponential_face,
        (_AMPLITUDE, _LENGTH),
        "A*(1 - exp(-x/X))",
        _BEHIND,
        _PRACTICE,
        {},
    ),
    Law(
        "power_time",
        "time",
        time.power_time,
        (_AMPLITUDE, _TIME, _EXPONENT),
        "A*(1 - (T/(t + T))^n)",
        _ALONE,
        _SULEM,
        {"exponent": 0.3},
    ),
    Law(
        "exponential_time",
        "time",
        time.exponential_time,
        (_AMPLITUDE, _TIME),
        "A*(1 - exp(-t/T))",
        _ALONE,
        _REGRESSION,
        {},
    ),
    Law(
        "hyperbolic_time",
        "time",
        time.hyperbolic_time,
        (_AMPLITUDE, _TIME),
        "A*t/(t + T)",
        _ALONE,
        _REGRESSION,
        {},
    ),
    Law(
        "logarithmic_time",
        "time",
        time.logarithmic_time,
        (
            Parameter("amplitude", "A", "mm", "Movement while 1 + t/T grows by the factor e.", "amplitude"),
            _TIME,
        ),
        "A*ln(1 + t/T)",
        _ALONE + " Never levels off: the asymptote is infinite.",
        _PRACTICE,
        {},
    ),
    Law(
        "reciprocal_exponential_time",
        "time",
        time.reciprocal_exponential_time,
        (_AMPLITUDE, _TIME),
        "A*exp(-T/t)",
        _ALONE,
        _REGRESSION,
        {},
    ),
    Law(
        "logarithm_reciprocal_time",
        "time",
        time.logarithm_reciprocal_time,
        (
            _AMPLITUDE,
            Parameter("dead_time", "D", "days", "Time after passage before the movement begins.", "time"),
        ),
        "A*(1 - ln(1 + D)/ln(1 + t))",
        _ALONE + " Zero up to D; levels off more slowly than any power of time.",
        _REGRESSION,
        {},
    ),
    Law(
        "coupled",
        "coupled",
        coupled,
        (_INSTANT, _LENGTH, _TIME, _RATIO, _EXPONENT),
        "A*(1 - (X/(x + X))^2)*(1 + m*(1 - (T/(t + T))^n))",
        "Movement since the face passed, one stage; all creep is aged from passage, so a restart after a "
        "stoppage is overstated.",
        _SULEM,
        {"exponent": 0.3},
    ),
    Law(
        "coupled_exponential",
        "coupled",
        coupled_exponential,
        (_INSTANT, _LENGTH, _TIME, _RATIO),
        "A*(1 - exp(-x/X))*(1 + m*(1 - exp(-t/T)))",
        "As the coupled law; levels off within a few T.",
        _PRACTICE,
        {},
    ),
    hereditary_law(default_retardation_times()),
)

REGISTRY: Mapping[str, Law] = MappingProxyType({each.name: each for each in _LAWS})
"""Every law by its name."""

_RADIUS = Parameter("radius", "R", "m", "Radius of the tunnel.", "length")
_ELASTIC = "Circular tunnel, equal far-field stress, elastic ground, no support"

_PROFILES = (
    Profile(
        "panet_1995",
        profiles.panet_1995,
        (_RADIUS,),
        "0.25 + 0.75*(1 - (0.75/(0.75 + x/R))^2)",
        _ELASTIC + "; behind the face only.",
        Source("M. Panet, Le calcul des tunnels par la methode convergence-confinement, 1995", "from memory"),
        False,
    ),
    Profile(
        "corbetta_1991",
        profiles.corbetta_1991,
        (_RADIUS,),
        "0.29 + 0.71*(1 - exp(-1.5*(x/R)^0.7))",
        _ELASTIC + "; behind the face only.",
        Source("F. Corbetta, D. Bernaud and D. Nguyen-Minh, Rev. Fr. Geotech. 54, 1991, 5-11", "from memory"),
        False,
    ),
    Profile(
        "chern_1998",
        profiles.chern_1998,
        (_RADIUS,),
        "(1 + exp(-(x/R)/1.10))^-1.7",
        "Fitted to readings; both sides of the face.",
        Source("J. C. Chern and others, 1998, as printed by Carranza-Torres and Fairhurst, 2000", "from memory"),
        True,
    ),
    Profile(
        "unlu_gercek_2003",
        profiles.unlu_gercek_2003,
        (_RADIUS, Parameter("poisson_ratio", "nu", "-", "Poisson's ratio of the ground.", "ratio")),
        "u0*exp(Ba*x/R) ahead, u0 + Ab*(1 - (Bb/(Bb + x/R))^2) behind",
        _ELASTIC + "; both sides of the face.",
        Source("T. Unlu and H. Gercek, Tunnelling Underground Space Technol. 18, 2003, 547-553", "from memory"),
        True,
    ),
    Profile(
        "vlachopoulos_diederichs_2009",
        profiles.vlachopoulos_diederichs_2009,
        (_RADIUS, Parameter("plastic_radius", "Rp", "m", "Largest radius of the plastic zone.", "length")),
        "u0*exp(x/R) ahead, 1 - (1 - u0)*exp(-3*x/(2*Rp)) behind, u0 = exp(-0.15*Rp/R)/3",
        "Circular tunnel with a plastic zone, no support; both sides of the face.",
        Source("N. Vlachopoulos and M. S. Diederichs, Rock Mech. Rock Eng. 42(2), 2009, 131-146", "from memory"),
        True,
    ),
    Profile(
        "two_sided_profile",
        profiles.two_sided_profile,
        (_LENGTH, _SHARE),
        "s*exp(3*x/(4*X)) ahead, s + (1 - s)*(1 - (X/(x + X))^2) behind",
        "General purpose; both sides of the face.",
        Source("After Panet and Guenot, 1982, behind the face; the decay ahead is set here", "derived here"),
        True,
    ),
)

PROFILES: Mapping[str, Profile] = MappingProxyType({each.name: each for each in _PROFILES})
"""Every longitudinal displacement profile by its name."""


def laws(family: Family | None = None) -> tuple[Law, ...]:
    """The laws of one family, or all of them, in the order of the registry.

    Parameters
    ----------
    family : str, optional
        "face", "time", "coupled" or "hereditary".

    Returns
    -------
    tuple of Law

    Raises
    ------
    ValueFault
        If there is no such family.
    """
    families = list(dict.fromkeys(each.family for each in _LAWS))
    if family is not None and family not in families:
        raise ValueFault(
            f"family {family!r} is unknown; expected one of {', '.join(families)}. To mend: correct the name."
        )
    return tuple(each for each in _LAWS if family is None or each.family == family)


def law(name: str) -> Law:
    """The law of that name.

    Parameters
    ----------
    name : str
        Name of the law.

    Returns
    -------
    Law

    Raises
    ------
    ValueFault
        If there is no law of that name; the message has the nearest name and all names.
    """
    if name in REGISTRY:
        return REGISTRY[name]
    near = get_close_matches(name, REGISTRY, n=1, cutoff=0.0)
    raise ValueFault(
        f"law {name!r} is unknown; the nearest name is {near[0]!r}; expected one of {', '.join(REGISTRY)}. "
        "To mend: correct the name."
    )
