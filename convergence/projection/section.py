"""One section's model: all its measures share the shape of the hereditary law, each has amplitudes of its own.

    y_j(t) = sum_k A_jk [G_k(t; theta) - G_k(t_0; theta)] + c_j,segment + d_j(t) + noise
    G_k(t; theta) = sum_l w_l(X, n) [L_l(x_k(t)) + sum_i m_i M_ikl(t)] / h(theta)

h is the share of the movement that is still to come with the face a little way past, within the time that readings tell
of (`bases.share_to_come`), so that an amplitude is what comes from there on: readings tell that far better than the
instantaneous movement, whose part before the zero reading nobody sees, and sections differ in it far less. Nothing is
known of amplitudes beforehand unless other sections tell: their prior is then the reference prior, which no
normalisation changes.

k runs over the stages, l over the exponential modes of the release (`convergence.laws.face_modes`), theta = (ln X,
ln n, ln m_i): influence length, form of the profile's tail, creep ratios. c are offsets (one a segment: the zero
reading has noise like any other). d is what the shared shape does not describe, of covariance

    sum_k a_jk^2 [ D_k(t)' S D_k(t') + kappa^2 min(G_k(t), G_k(t')) + R_k(t, t') ],   D_k = dG_k / d theta

The first part lets a measure have a shape of its own about its section's (roof and walls do not feel the face alike);
S says how far. With the ring closed on day t_c, what comes after it may be another share of what the law says: beside
them stands CLOSING^2 E_k(t) E_k(t'), E_k the release after t_c. The second is a movement that grows at random with
the release itself, so that it is small beside the movement and its future part shrinks with the movement still to
come. Neither can be argued away by a flood of readings. R_k is what a round near the section may have released
already at a reading made in the span in which it was taken (`convergence.projection.rounds`).

Given theta everything is linear and normal, so amplitudes and offsets are integrated out exactly; what remains is a
density in a handful of dimensions.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_factor, cho_solve

from convergence.measures.series import OF_TWO_PRISMS, Series
from convergence.projection.bases import share_to_come, unit_weights
from convergence.projection.columns import SectionColumns
from convergence.projection.expected import Pattern, StageRatio, no_pattern
from convergence.projection.inverses import inverse_of
from convergence.projection.prediction import Prediction
from convergence.projection.prior import within_section
from convergence.projection.unknown import relative_unknown

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Offsets have next to no prior [mm].
OFFSET_SPREAD = 1e3
#: Days between the two dates of a projected rate, at the least: what the law does not describe is rough on shorter
#: spans.
RATE_SPACING = 3.0
#: Step of the finite differences that give the bases' slopes in the shape.
SLOPE_STEP = 0.05
#: No amplitude is taken as smaller than this share of the largest of its section where the unknown part of the
#: movement is sized.
LEAST_SHARE = 0.15


class SectionModel:
    """The density of one section's shape, and its amplitudes given the shape.

    All work in the number of readings is done once, in ``anchor``: the readings enter the density only through the
    Gram matrix of each series' bases.

    Parameters
    ----------
    series : sequence of Series
        The section's measures.
    columns : SectionColumns
        Their readings, binned, and the stages' movements as columns.
    dates : (e,) array
        Days at which the movement will be asked for, ascending.
    width : float
        Tunnel width [m].
    ratios : sequence of sequence of StageRatio
        For each series, the prior of A_k / A_1 for every later stage.
    retardation_times : tuple of float
        tau_i [days].
    pattern : Pattern, optional
        What the other sections say of the amplitudes; nothing unless given.
    """

    def __init__(
        self,
        series: Sequence[Series],
        columns: SectionColumns,
        dates: Floats,
        width: float,
        ratios: Sequence[Sequence[StageRatio]],
        retardation_times: tuple[float, ...],
        pattern: Pattern | None = None,
    ) -> None:
        self.series = list(series)
        self.pattern = no_pattern(len(self.series), width) if pattern is None else pattern
        self.bins = columns.bins
        self.width = width
        self.stages = columns.bases.shape[1]
        self.ratios = ratios
        self.dates = dates
        self.bases, self._spanned = columns.bases, columns.spanned
        self.at_bins, self.at_dates, self._closed = columns.at_bins, columns.at_dates, columns.closed
        self._rounds = columns.rounds
        self.rate_dates = _spaced(dates, RATE_SPACING)
        #: Series whose readings inform the shape: chords repeat what their prisms say.
        self.informing = np.array(
            [
                index
                for index, item in enumerate(series)
                if item.measure not in OF_TWO_PRISMS and len(self.bins[index].time) >= 3
            ],
            dtype=np.int64,
        )
        self.sizes = self._first_sizes()
        self._factors: list[tuple[Floats, bool] | None] = [None] * len(self.series)
        self._misfits = np.zeros(len(self.series))
        self._relative: list[Floats] = []
        #: how far a measure's own shape may lie from its section's
        self._within = within_section(len(retardation_times))
        count = self.bases.shape[2]
        self._gram = np.zeros((len(self.series), self.stages, count, self.stages, count))
        self._projected = np.zeros((len(self.series), self.stages, count))
        self._known = self._prior_precision()

    def _first_sizes(self) -> Floats:
        """Amplitude [mm] of each series and stage that sizes the unknown part: from the range of readings."""
        spread = np.array([float(np.ptp(item.value)) if len(item.value) else 0.0 for item in self.bins])
        return self._sized(np.repeat(spread[:, None], self.stages, axis=1))

    def _sized(self, amplitudes: Floats) -> Floats:
        """Amplitudes, none under a share of the section's largest (nor under 1 mm), of a later stage by its ratio."""
        sizes = np.abs(amplitudes)
        floor = max(LEAST_SHARE * float(sizes[:, 0].max(initial=0.0)), 1.0)
        sizes[:, 0] = np.maximum(sizes[:, 0], floor)
        for index in range(len(sizes)):
            for stage in range(1, self.stages):
                ratio = self.ratios[index][stage - 1]
                sizes[index, stage] = min(
                    max(sizes[index, stage], 0.3 * floor),
                    np.hypot(ratio.mean, ratio.spread) * sizes[index, 0],
                )
        return sizes

    def _weights(self, theta: Floats) -> Floats:
        """Weights of the spanning columns of each stage for each shape, per unit of amplitude, shape (s, stages, c)."""
        return np.asarray((unit_weights(theta, self.width) @ self._spanned).transpose(1, 0, 2))

    def anchor(self, theta: Floats) -> None:
        """Fix the covariance of noise and unknown part at one shape, shape (d,), and the sizes in force."""
        self._known = self._prior_precision()
        steps = np.diag(np.full(len(theta), SLOPE_STEP))
        around = _mixed(self.bases, self._weights(np.concatenate([theta[None], theta + steps, theta - steps])))
        slopes = (around[1 : 1 + len(theta)] - around[1 + len(theta) :]) / (2 * SLOPE_STEP)
        self._relative = [
            relative_unknown(around[0, :, stage], slopes[:, :, stage], self._within, self._closed, self._rounds[stage])
            for stage in range(self.stages)
        ]
        for index, item in enumerate(self.bins):
            if len(item.time) < 2:
                continue
            rows = self.at_bins[index]
            unknown = self._unknown(index, rows, rows)
            covariance = item.covariance + unknown
            # offsets with next to no prior are integrated out by adding their covariance to the readings'
            covariance = covariance + OFFSET_SPREAD**2 * (item.segment[:, None] == item.segment[None, :])
            # far out in a search the unknown part may be so large that its rounding outweighs the noise
            covariance[np.diag_indices(len(covariance))] += 1e-6 + 1e-9 * float(unknown.max(initial=0.0))
            factor = cho_factor(covariance, lower=True)
            self._factors[index] = factor
            design = (self.bases[rows] - self.bases[rows[:1]]).reshape(len(rows), -1)
            solved = cho_solve(factor, design)
            self._gram[index] = (design.T @ solved).reshape(self._gram.shape[1:])
            self._projected[index] = (solved.T @ item.value).reshape(self._projected.shape[1:])
            logdet = 2.0 * float(np.log(np.diag(factor[0])).sum())
            self._misfits[index] = -0.5 * (float(item.value @ cho_solve(factor, item.value)) + logdet)

    def _unknown(self, index: int, rows: Ints, columns: Ints) -> Floats:
        """Covariance of the unknown part of one series between two sets of times."""
        found = np.zeros((len(rows), len(columns)))
        for size, relative in zip(self.sizes[index], self._relative, strict=True):
            found += size**2 * relative[rows[:, None], columns]
        return found

    def _prior_precision(self) -> Floats:
        """Prior precision of (A_1 .. A_K) of every series, given the common factor, shape (j, K, K)."""
        stages = self.stages
        precision = np.zeros((len(self.series), stages, stages))
        precision[:, 0, 0] = 1.0 / self.pattern.spread**2
        for index in range(len(self.series)):
            for stage in range(1, stages):
                ratio = self.ratios[index][stage - 1]
                # A_k - mean A_1 is normal, as wide as the spread times the size of the first stage's movement
                contrast = np.zeros(stages)
                contrast[0], contrast[stage] = -ratio.mean, 1.0
                precision[index] += np.outer(contrast, contrast) / (ratio.spread * self.sizes[index, 0]) ** 2
        return precision

    def _given_factor(self, theta: Floats, which: Ints) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Amplitudes given each shape, as a line in the common factor g.

        Returns
        -------
        covariance : (j, s, K, K) array
        mean : (j, s, K) array
            At g = 0.
        slope : (j, s, K) array
            Of the mean in g.
        evidence, linear : (j, s) arrays
            Log density of the readings at g = 0, and its term linear in g.
        """
        weights = self._weights(theta)
        stages, columns = self.stages, weights.shape[2]
        # (l, j k p, q) @ (l, q, s): one product of matrices for every stage
        gram = self._gram[which].transpose(3, 0, 1, 2, 4).reshape(stages, -1, columns)
        half = (gram @ weights.transpose(1, 2, 0)).reshape(stages, len(which), stages, columns, len(theta))
        precision = np.einsum("ljkps,skp->jskl", half, weights) + self._known[which][:, None]
        right = np.einsum("jkp,skp->jsk", self._projected[which], weights)
        covariance, logdet = inverse_of(precision)
        mean = np.einsum("jskl,jsl->jsk", covariance, right)
        pull = self.pattern.mean[which] / self.pattern.spread[which] ** 2
        slope = covariance[..., 0] * pull[:, None, None]
        # an amplitude of which nothing is known has the reference prior: it is as informative whatever the shape, and
        # the shape is judged by how well it can follow the readings
        told = (self.pattern.mean[which] != 0.0)[:, None]
        evidence = 0.5 * np.einsum("jsk,jsk->js", right, mean) - 0.5 * np.where(told, logdet, 0.0)
        return covariance, mean, slope, evidence, np.einsum("jsk,jsk->js", slope, right)

    def _common(self, theta: Floats) -> tuple[Floats, Floats, Floats]:
        """Mean and precision of the common factor, and the log evidence of all readings, for each shape; all (s,).

        Completing the square in g: the readings of each series are normal given g, so all of them together are a
        parabola in g, to which the prior N(1, spread^2) adds.
        """
        which = self.informing
        covariance, _, _, evidence, linear = self._given_factor(theta, which)
        pattern = self.pattern
        pull = pattern.mean[which] / pattern.spread[which] ** 2
        curve = (pull * pattern.mean[which])[:, None] - pull[:, None] ** 2 * covariance[..., 0, 0]
        known = 1.0 / pattern.factor_spread**2
        precision = curve.sum(axis=0) + known
        factor = (linear.sum(axis=0) + known) / precision
        return factor, precision, evidence.sum(axis=0) + 0.5 * precision * factor**2 - 0.5 * np.log(precision)

    def amplitudes(self, theta: Floats, which: Ints) -> tuple[Floats, Floats]:
        """Amplitudes of some series given each shape, the common factor integrated out.

        Parameters
        ----------
        theta : (s, d) array
            Shapes.
        which : (j,) array of int
            Series.

        Returns
        -------
        mean : (j, s, K) array
        covariance : (j, s, K, K) array
        """
        covariance, mean, slope, _, _ = self._given_factor(theta, which)
        factor, precision, _ = self._common(theta)
        mean = mean + factor[None, :, None] * slope
        covariance = covariance + slope[..., :, None] * slope[..., None, :] / precision[None, :, None, None]
        return mean, covariance

    def log_likelihood(self, theta: Floats) -> Floats:
        """Log density of the readings for each shape, amplitudes and offsets integrated out; theta (s, d) -> (s,)."""
        return np.asarray(self._common(theta)[2])

    def log_evidence(self, theta: Floats) -> float:
        """Log density of the readings at the anchored shape (d,), with what no shape changes, up to a constant.

        So models of the same bins can be compared whose columns are others.
        """
        return float(self.log_likelihood(theta[None])[0] + self._misfits[self.informing].sum())

    def resize(self, theta: Floats) -> None:
        """Take the amplitudes found at a shape as the sizes in force."""
        every = np.arange(len(self.series))
        self.sizes = self._sized(self.amplitudes(theta[None], every)[0][:, 0, :])

    def predict(self, theta: Floats, weight: Floats | None = None, places: Ints | None = None) -> list[Prediction]:
        """Movement of each series at the dates for each shape, given its readings.

        Samples count alike unless weights are given; all dates are asked for unless their places are given.
        """
        places = np.arange(len(self.dates)) if places is None else places
        pairs = _spaced(self.dates[places], RATE_SPACING)
        weight = np.full(len(theta), 1.0 / len(theta)) if weight is None else weight
        amplitude, covariance = self.amplitudes(theta, np.arange(len(self.series)))
        shapes, share = self._weights(theta), share_to_come(theta, self.width)
        return [
            self._predict_one(index, shapes, share, weight, amplitude[index], covariance[index], places, pairs)
            for index in range(len(self.series))
        ]

    def _predict_one(
        self,
        index: int,
        shapes: Floats,
        share: Floats,
        weight: Floats,
        amplitude: Floats,
        covariance: Floats,
        places: Ints,
        pairs: tuple[Ints, Ints],
    ) -> Prediction:
        bins, rows, factor = self.bins[index], self.at_bins[index], self._factors[index]
        start = rows[:1] if len(rows) else self.at_dates[:1]
        asked, dates = self.at_dates[places], self.dates[places]
        own_start = float(self._unknown(index, start, start)[0, 0])
        from_start = self._unknown(index, asked, start)
        among = self._unknown(index, asked, asked) - from_start - from_start.T + own_start
        since = self.bases[asked] - self.bases[start]
        combined = since
        offset = np.zeros(len(dates))
        if factor is not None:
            # what the law does not describe is carried on from the readings, by their covariance with the dates
            covers = self._unknown(index, asked, rows) - self._unknown(index, start, rows)
            gain = cho_solve(factor, covers.T).T
            among = among - gain @ covers.T
            combined = since - np.tensordot(gain, self.bases[rows] - self.bases[start], 1)
            offset = gain @ bins.value
        moved = _mixed(combined, shapes)
        at_start = _mixed(self.bases[start], shapes)[:, 0, :]
        total = moved + at_start[:, None, :]
        first, second = pairs
        step = moved[:, second] - moved[:, first]
        unknown = np.maximum(np.diag(among), 0.0)
        growth = np.maximum(unknown[second] + unknown[first] - 2 * among[second, first], 0.0)
        mean = np.einsum("sek,sk->se", moved, amplitude) + offset
        gaps = dates[second] - dates[first]
        apart = mean - weight @ mean
        carried = (moved @ covariance) * weight[:, None, None]
        joint = among + (apart * weight[:, None]).T @ apart + np.tensordot(carried, moved, ([0, 2], [0, 2]))
        parts = _mixed(since[-1:], shapes)[:, 0, :]
        caused = parts * amplitude
        spread_of_parts = np.einsum("s,sk,skl,sl->kl", weight, parts, covariance, parts, optimize=True)
        away = caused - weight @ caused
        return Prediction(
            mean=mean,
            variance=_spread(moved, covariance) + unknown,
            unknown=unknown,
            lost=np.einsum("sk,sk->s", at_start, amplitude),
            lost_variance=np.einsum("sk,skl,sl->s", at_start, covariance, at_start) + own_start,
            total_variance=_spread(total, covariance) + unknown + own_start,
            rate=(mean[:, second] - mean[:, first]) / gaps,
            rate_variance=(_spread(step, covariance) + growth) / gaps**2,
            by_stage=caused,
            stage_covariance=spread_of_parts + (away * weight[:, None]).T @ away,
            joint=joint,
            amplitude=amplitude,
            amplitude_variance=np.diagonal(covariance, axis1=1, axis2=2).copy(),
            instantaneous=amplitude[:, 0] / share,
        )


def _mixed(values: Floats, weights: Floats) -> Floats:
    """Spanning columns at n times, (n, stages, c), weighted (s, stages, c) to one column a stage, (s, n, stages)."""
    return np.asarray((values.transpose(1, 0, 2) @ weights.transpose(1, 2, 0)).transpose(2, 1, 0))


def _spaced(dates: Floats, spacing: float) -> tuple[Ints, Ints]:
    """Pairs of dates, each date with the first one at least a spacing later."""
    second = np.searchsorted(dates, dates + spacing - 1e-9)
    first = np.flatnonzero(second < len(dates))
    return first, second[first]


def _spread(columns: Floats, covariance: Floats) -> Floats:
    """Variance of columns (s, e, K) times amplitudes of covariance (s, K, K)."""
    return np.asarray(((columns @ covariance) * columns).sum(axis=2))
