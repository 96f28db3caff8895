"""Chainage equations: where the chainage written on site jumps, and what it means along the alignment.

After a change of the alignment the chainages beyond it are seldom written anew. An equation says instead that one
place has two chainages, *back* as counted from below and *ahead* as counted from there on. Inside the library a
chainage is continuous, so that differences are true lengths; it equals the site's in the first region, below the
first equation. Files come in, and results go out, in the chainage of the site.

    chainage of the site c, region k:      x = c + D_k,     D_1 = 0,  D_(k+1) = D_k + back_k - ahead_k

Where back < ahead there is a gap: chainages between the two stand for no place. Where back > ahead chainages between
the two stand for two places, and only the region, counted from 1 up-chainage, tells which is meant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from convergence.errors import ValueFault

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Metres by which rounding may put a chainage beyond the end of its region, as where feet become metres.
ROUNDING = 1e-6


@dataclass(frozen=True)
class ChainageEquation:
    """One place with two chainages.

    Attributes
    ----------
    back : float
        Chainage of the place [m] as counted from below.
    ahead : float
        Chainage of the same place [m] from which counting goes on, up-chainage.
    """

    back: float
    ahead: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.back) and math.isfinite(self.ahead)):
            raise ValueFault(
                f"chainage equation {self.back} m back = {self.ahead} m ahead: expected two finite numbers. "
                "To mend: give both chainages in metres."
            )


@dataclass(frozen=True)
class Stationing:
    """The chainages of the site along one alignment.

    Attributes
    ----------
    equations : tuple of ChainageEquation
        In the order in which they are met up-chainage; none leaves the chainage as it is.

    Raises
    ------
    ValueFault
        Where a region between two equations has no length.

    Examples
    --------
    >>> stationing = Stationing((ChainageEquation(1200.0, 1150.0),))
    >>> x, places = stationing.continuous([1100.0, 1180.0, 1300.0])
    >>> x.tolist(), places.tolist()
    ([1100.0, nan, 1350.0], [1, 2, 1])
    """

    equations: tuple[ChainageEquation, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "equations", tuple(self.equations))
        for one, two in pairwise(self.equations):
            if not two.back > one.ahead:
                raise ValueFault(
                    f"chainage equations: {two.back} m back follows {one.ahead} m ahead; expected a greater chainage. "
                    "To mend: give the equations in the order in which they are met up-chainage."
                )

    def __bool__(self) -> bool:
        return bool(self.equations)

    @property
    def regions(self) -> int:
        """How many regions there are, one more than equations."""
        return len(self.equations) + 1

    def continuous(self, site: npt.ArrayLike, region: npt.ArrayLike = 0) -> tuple[Floats, Ints]:
        """Chainages along the alignment from those of the site.

        Parameters
        ----------
        site : array_like
            Chainage as written on site [m].
        region : array_like of int
            Region it is in, from 1; 0 where that is not said.

        Returns
        -------
        chainage : ndarray
            Continuous chainage [m], shape of the inputs broadcast together; nan where `places` is not 1.
        places : ndarray of int
            How many places have that chainage: 0 in a gap or outside the region named, 2 or more where a region
            must be named.

        Notes
        -----
        Worked number: with 1200 back = 1150 ahead, 1300 m lies 50 + 150 = 200 m past 1150 m in region 1: 1350 m.
        A chainage up to ``ROUNDING`` beyond the end of a region is taken for that end.

        References
        ----------
        1. Back and ahead of a chainage (station) equation: common usage of route surveying, from memory.
        """
        value, wanted = np.broadcast_arrays(np.asarray(site, dtype=np.float64), np.asarray(region, dtype=np.int64))
        found = np.full(value.shape, np.nan)
        places = np.zeros(value.shape, dtype=np.int64)
        for index in range(self.regions):
            low, high = self._low[index], self._high[index]
            here = (value >= low - ROUNDING) & (value <= high + ROUNDING) & ((wanted == 0) | (wanted == index + 1))
            at = np.clip(value, low, high) + self._shift[index]
            # the place of an equation belongs to both its regions and is one place all the same
            again = here & (np.abs(at - found) <= 4.0 * ROUNDING)
            places += here & ~again
            found = np.where(here & ~again, at, found)
        return np.where(places == 1, found, np.nan), places

    def site(self, chainage: npt.ArrayLike) -> tuple[Floats, Ints]:
        """Chainages of the site from those along the alignment.

        Parameters
        ----------
        chainage : array_like
            Continuous chainage [m].

        Returns
        -------
        site : ndarray
            Chainage as written on site [m], shape of `chainage`; at an equation the one ahead.
        region : ndarray of int
            Region it is in, from 1.

        Notes
        -----
        Worked number: with 1200 back = 1150 ahead, 1350 m is 1300 m on site, in region 2.
        """
        x = np.asarray(chainage, dtype=np.float64)
        index = np.searchsorted(self.places, x, side="right")
        return np.asarray(x - self._shift[index]), np.asarray(index + 1)

    def text(self, chainage: float, digits: int = 2) -> str:
        """One continuous chainage as the site writes it, with its region where the number alone does not tell."""
        site, region = self.site(chainage)
        shown = f"{float(site):.{digits}f} m"
        _, places = self.continuous(site)
        return shown if int(places) == 1 else f"{shown} (region {int(region)})"

    def span(self, low: float, high: float, digits: int = 2) -> str:
        """A stretch between two continuous chainages as the site writes them."""
        return f"{self.text(low, digits).removesuffix(' m')} to {self.text(high, digits)}"

    @cached_property
    def _shift(self) -> Floats:
        """What is added to a chainage of the site in each region [m]."""
        return np.cumsum([0.0, *(equation.back - equation.ahead for equation in self.equations)])

    @cached_property
    def places(self) -> Floats:
        """Continuous chainage of each equation [m]."""
        return np.array([equation.back for equation in self.equations], dtype=np.float64) + self._shift[:-1]

    @cached_property
    def _low(self) -> list[float]:
        return [-math.inf, *(equation.ahead for equation in self.equations)]

    @cached_property
    def _high(self) -> list[float]:
        return [*(equation.back for equation in self.equations), math.inf]


#: The chainage of a job without equations.
PLAIN = Stationing()
