"""Where the ground changes, told from how the sections move: which of them may speak for each other.

Between neighbouring sections the ground either goes on or changes. Within one ground shapes and sizes of movement
vary as a field whose likeness fades with distance; beyond a change only what the whole site shares is left. Every gap
between two sections is judged by how much likelier a change there makes what the sections say, of their shapes and of
how much they move, against how rarely grounds change; first the changes are found one after another, then each gap's
own probability is taken with the others where they stand. Pooling uses the probabilities and not a yes or no, so a
change that is only suspected holds the sections apart a little.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from convergence.projection.prior import ShapePrior, between_sections
from convergence.projection.shape import ShapePosterior

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

#: Distance [m] over which the likeness of two sections fades to 1/e within one ground.
FADING = 60.0
#: Part of the difference between sections that has nothing to do with distance.
OWN_SHARE = 0.15
#: Part of what is not known of a site's shape that each ground has for itself.
GROUND_SHARE = 0.6
#: Length of drive [m] on which one change of the ground is expected (assumed, no source).
GROUND_LENGTH = 250.0
#: Factors on the assumed difference between shapes that are tried, and how strongly 1 is preferred (spread of the
#: logarithm).
FACTORS, FACTOR_SPREAD = (0.7, 1.0, 1.5, 2.4, 4.0), 0.5
#: Spread of the logarithm of how much sections of one ground move, as tried; how strongly the middle one is preferred;
#: and that of grounds (assumed: a weak ground moves twice as much as a sound one).
SIZES, PREFERENCE, SIZE_OF_GROUNDS = (0.15, 0.25, 0.4), 0.5, 0.7
#: A change of the ground more probable than this is told.
LIKELY = 0.5
#: Sections on each side that are asked about a change.
WINDOW = 6
#: Changes that are tried together: a stretch of so many sections at the most that is unlike both sides.
STRETCH = 2


@dataclass(frozen=True)
class Sections:
    """What n sections say.

    Attributes
    ----------
    chainage : (n,) array
        Chainages [m].
    information : (n, d, d) array
        Curvature of the log likelihood of each shape.
    shift : (n, d) array
        information @ (where the readings alone would pull the shape, from the physical prior's mean).
    size, variance : (n,) arrays
        Logarithm of how much each section moves over the site's pattern, and its variance.
    """

    chainage: Floats
    information: Floats
    shift: Floats
    size: Floats
    variance: Floats


def gather(
    chainage: Floats, found: Sequence[ShapePosterior], physical: ShapePrior, factor: Floats, variance: Floats
) -> Sections:
    """What the sections say, from their shapes and from how much each moves over the pattern and its variance."""
    safe = np.clip(factor, 0.1, 10.0)
    information, shift = pulls(found, physical)
    return Sections(chainage, information, shift, np.log(safe), np.minimum(variance / safe**2, 100.0))


def pulls(found: Sequence[ShapePosterior], physical: ShapePrior) -> tuple[Floats, Floats]:
    """Information of each section's shape (n, d, d), and its pull from the physical prior's mean (n, d)."""
    information = np.stack([item.information for item in found])
    return information, np.stack([item.gradient_shift - item.information @ physical.mean for item in found])


def same_ground(site: Sections, physical: ShapePrior) -> Floats:
    """Probability that no change of the ground lies between two sections.

    Parameters
    ----------
    site : Sections
        What the sections say, in any order along the tunnel.
    physical : ShapePrior
        Prior of the site's mean shape.

    Returns
    -------
    (n, n) array
        1 on the diagonal; a product over the gaps between, so a covariance times it is a covariance.
    """
    order = np.argsort(site.chainage, kind="stable").astype(np.int64)
    gaps = np.maximum(np.diff(site.chainage[order]), 0.1)
    odds = np.log(np.expm1(gaps / GROUND_LENGTH))
    changed = np.zeros(len(gaps), dtype=bool)

    known: dict[tuple[int, int, bytes], float] = {}

    def evidence(grounds: Flags, near: slice) -> float:
        key = (near.start, near.stop, grounds[near.start : near.stop - 1].tobytes())
        if key not in known:
            known[key] = _evidence(site, order[near], _numbers(grounds)[near], physical)
        return known[key]

    def gain(move: Sequence[int]) -> float:
        """Log odds for turning the gaps of a move over."""
        turned = changed.copy()
        turned[list(move)] = ~turned[list(move)]
        near = slice(max(0, move[0] - WINDOW), min(len(order), move[-1] + 1 + WINDOW))
        before, after = evidence(changed, near), evidence(turned, near)
        return after - before + float((np.where(changed[list(move)], -1.0, 1.0) * odds[list(move)]).sum())

    moves = [(gap,) for gap in range(len(gaps))]
    stretches = [(gap, gap + more) for more in range(1, STRETCH + 1) for gap in range(len(gaps) - more)]
    while len(gaps):
        gains = [-np.inf if changed[list(move)].any() else gain(move) for move in (*moves, *stretches)]
        best = int(np.argmax(gains))
        if not gains[best] > 0.0:
            break
        changed[list((*moves, *stretches)[best])] = True
    for_change = np.array([gain(move) for move in moves]) * np.where(changed, -1.0, 1.0)
    # 1 / (1 + odds), summed over the gaps between
    stays = np.concatenate([[0.0], np.cumsum(-np.logaddexp(0.0, for_change))])
    together = np.empty((len(order), len(order)))
    together[np.ix_(order, order)] = np.exp(-np.abs(stays[:, None] - stays[None, :]))
    return together


def changes_near(chainage: Floats, together: Floats, index: int) -> list[tuple[int, int, float]]:
    """The nearest likely changes of the ground on either side of a section.

    Returns
    -------
    list of (int, int, float)
        Places of the two sections about the change, up-chainage, and its probability, above one half.
    """
    order = np.argsort(chainage, kind="stable")
    place = int(np.flatnonzero(order == index)[0])
    chance = 1.0 - together[order[:-1], order[1:]]
    likely = np.flatnonzero(chance > LIKELY)
    found = [*likely[likely < place][-1:], *likely[likely >= place][:1]]
    return [(int(order[gap]), int(order[gap + 1]), float(chance[gap])) for gap in found]


def likeness(chainage: Floats, together: Floats) -> Floats:
    """Correlation of what sections have beside what their ground and the site share, shape (n, n)."""
    distance = np.abs(chainage[:, None] - chainage[None, :])
    return np.asarray((1 - OWN_SHARE) * np.exp(-distance / FADING) * together + OWN_SHARE * np.eye(len(chainage)))


def shared(together: Floats) -> Floats:
    """Correlation of the mean shapes that sections vary about, shape (n, n): the site's part and the ground's."""
    return np.asarray(1 - GROUND_SHARE + GROUND_SHARE * together)


def log_evidence(covariance: Floats, information: Floats, shift: Floats) -> float:
    """Log of the integral of N(x; 0, covariance) exp(-x' information x / 2 + shift' x)."""
    inner = np.eye(len(covariance)) + covariance @ information
    _, logdet = np.linalg.slogdet(inner)
    return float(-0.5 * logdet + 0.5 * shift @ np.linalg.solve(inner, covariance @ shift))


def in_blocks(information: Floats) -> Floats:
    """Matrices (n, d, d) along the diagonal of one, (n d, n d)."""
    count, dimension, _ = information.shape
    found = np.zeros((count, dimension, count, dimension))
    found[np.arange(count), :, np.arange(count), :] = information
    return found.reshape(count * dimension, count * dimension)


def _numbers(changed: Flags) -> Ints:
    """Number of the ground of each section in order, from where it changes."""
    return np.concatenate([[0], np.cumsum(changed)]).astype(np.int64)


def _evidence(site: Sections, some: Ints, ground: Ints, physical: ShapePrior) -> float:
    """Log evidence of what some sections say where each belongs to a ground."""
    same = (ground[:, None] == ground[None, :]).astype(np.float64)
    alike = likeness(site.chainage[some], same)
    means = np.kron(shared(same), physical.covariance)
    between = np.kron(alike, between_sections(len(physical.mean) - 2))
    information, shift = in_blocks(site.information[some]), site.shift[some].ravel()
    shapes = [
        log_evidence(means + factor**2 * between, information, shift) - 0.5 * (np.log(factor) / FACTOR_SPREAD) ** 2
        for factor in FACTORS
    ]
    size, sizes = site.size[some], []
    for spread in SIZES:
        covariance = spread**2 * alike + SIZE_OF_GROUNDS**2 * (0.5 + 0.5 * same) + np.diag(site.variance[some])
        sizes.append(
            -0.5 * np.linalg.slogdet(covariance)[1]
            - 0.5 * size @ np.linalg.solve(covariance, size)
            - 0.5 * (np.log(spread / SIZES[1]) / PREFERENCE) ** 2
        )
    return float(max(shapes) + max(sizes))
