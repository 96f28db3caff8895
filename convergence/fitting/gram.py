"""Readings of many sections as small Gram matrices: all that least squares needs of them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Readings:
    """Readings of s sections with m series each, on n epochs that the series of a section share.

    A series with breaks has a row for each of its k segments, with an offset of its own; there are m k rows.

    Attributes
    ----------
    distance, elapsed : ndarray, shape (s, n)
        Face distance [m], 0 where there is no epoch, and time since the face passed [d].
    weight : ndarray, shape (s, m k, n) or (s, 1, n)
        How many readings stand behind a value; 0 where a row has none. One row where all have the same.
    product : ndarray, shape (s, m k, n)
        Weight times value [mm].
    count : ndarray, shape (s, m k)
        Readings of a row.
    mean : ndarray, shape (s, m k)
        What was taken off [mm].
    square : ndarray, shape (s, m)
        Sum of squares of the values of a series, the mean of each row taken off [mm^2].
    segments : int
        Rows a series, k.
    """

    distance: FloatArray
    elapsed: FloatArray
    weight: FloatArray
    product: FloatArray
    count: FloatArray
    mean: FloatArray
    square: FloatArray
    segments: int

    def of(self, sections: IntArray) -> Readings:
        """Readings of some of the sections."""
        parts = ("distance", "elapsed", "weight", "product", "count", "mean", "square")
        return replace(self, **{name: getattr(self, name)[sections] for name in parts})

    def apart(self) -> Readings:
        """Each series as a section of its own."""
        series = self.square.shape[1]
        weight = np.broadcast_to(self.weight, self.product.shape)
        rows, epochs = self.segments, self.distance.shape[1]
        count = self.square.size
        return Readings(
            np.repeat(self.distance, series, axis=0),
            np.repeat(self.elapsed, series, axis=0),
            weight.reshape(count, rows, epochs),
            self.product.reshape(count, rows, epochs),
            self.count.reshape(count, rows),
            self.mean.reshape(count, rows),
            self.square.reshape(count, 1),
            rows,
        )


@dataclass(frozen=True, eq=False)
class Moments:
    """What the columns of a law and the readings have to do with each other, offsets projected out.

    Attributes
    ----------
    gram : ndarray, shape (s, m, c, c) or (s, 1, c, c)
        Products of the columns, each row's mean taken off, summed over the readings of a series.
    right : ndarray, shape (s, m, c)
        Products of columns and values [mm].
    sums : ndarray, shape (s, m k, c) or (s, 1, c)
        Sums of the columns over the readings of a row, less `centre`.
    centre : ndarray, shape (s, c)
        What was taken off the columns of a section to keep digits.
    """

    gram: FloatArray
    right: FloatArray
    sums: FloatArray
    centre: FloatArray


def readings_of(distance: FloatArray, elapsed: FloatArray, value: FloatArray, segment: IntArray | None) -> Readings:
    """Prepare readings.

    Parameters
    ----------
    distance, elapsed : ndarray, shape (s, n)
        Face distance [m] and time since the face passed [d]; nan where a section has no further epoch.
    value : ndarray, shape (s, m, n)
        Movement since the zero reading [mm]; nan where not read.
    segment : ndarray of int, shape (s, m, n), optional
        Segment of each reading, from 0; without it there are no breaks.

    Returns
    -------
    Readings
    """
    distance, elapsed = np.nan_to_num(distance), np.nan_to_num(elapsed)
    read = np.isfinite(value)
    if segment is None and bool(np.all(read)):
        epochs = float(value.shape[2])
        mean: FloatArray = np.asarray(np.sum(value, axis=2) / epochs)
        square = np.einsum("smn,smn->sm", value, value) - epochs * mean**2
        weight = np.ones((value.shape[0], 1, value.shape[2]))
        return Readings(distance, elapsed, weight, value, np.full(mean.shape, epochs), mean, square, 1)
    filled = np.where(read, value, 0.0)
    rows = 1
    if segment is not None and np.any(segment[read] > 0):
        rows = int(np.max(segment[read])) + 1
        own = segment[:, :, np.newaxis] == np.arange(rows)[:, np.newaxis]
        shape = (value.shape[0], value.shape[1] * rows, value.shape[2])
        read = (read[:, :, np.newaxis] & own).reshape(shape)
        filled = np.where(read, np.repeat(filled, rows, axis=1), 0.0)
    weight = read.astype(np.float64)
    if np.all(read == read[:, :1]):
        weight = weight[:, :1]
    count = np.asarray(np.sum(read, axis=2, dtype=np.float64))
    mean = np.asarray(np.sum(filled, axis=2) / np.maximum(count, 1.0))
    product = filled * weight
    square = np.einsum("srn,srn->sr", product, product) - count * mean**2
    square = square.reshape(value.shape[0], value.shape[1], rows).sum(axis=2)
    return Readings(distance, elapsed, weight, product, count, mean, square, rows)


def thinned(readings: Readings, epochs: int) -> Readings:
    """Put neighbouring epochs together, the first ones hardly and the last ones most, for a first look.

    Parameters
    ----------
    readings : Readings
    epochs : int
        About how many are left; readings that have no more are given back as they are.

    Returns
    -------
    Readings
    """
    size = readings.distance.shape[1]
    if size <= epochs:
        return readings
    edges = np.unique(np.floor(size * (np.arange(epochs) / epochs) ** 2).astype(np.int64))
    there = np.any(readings.weight > 0, axis=1)
    share = np.add.reduceat(there.astype(np.float64), edges, axis=1)
    share = np.where(share > 0, share, 1.0)
    weight = np.add.reduceat(readings.weight, edges, axis=2)
    product = np.add.reduceat(readings.product, edges, axis=2)
    return replace(
        readings,
        distance=np.add.reduceat(readings.distance * there, edges, axis=1) / share,
        elapsed=np.add.reduceat(readings.elapsed * there, edges, axis=1) / share,
        weight=weight,
        product=product,
    )


def moments(readings: Readings, columns: FloatArray) -> Moments:
    """Multiply columns with each other and with the values.

    Parameters
    ----------
    readings : Readings
    columns : ndarray, shape (s, c, n)
        Changed in place: the mean over the section is taken off.

    Returns
    -------
    Moments
    """
    sections, size, _ = columns.shape
    weight, rows = readings.weight, readings.weight.shape[1]
    every = weight[:, 0] if rows == 1 else weight.sum(axis=1)
    centre = (columns @ every[:, :, np.newaxis])[..., 0] / np.maximum(every.sum(axis=1), 1.0)[:, np.newaxis]
    columns -= centre[:, :, np.newaxis]
    right = (columns @ readings.product.transpose(0, 2, 1)).transpose(0, 2, 1)
    sums = (columns @ weight.transpose(0, 2, 1)).transpose(0, 2, 1)
    if rows == 1:
        gram = ((columns * weight) @ columns.transpose(0, 2, 1))[:, np.newaxis]
    else:
        first, second = np.triu_indices(size)
        pairs = (columns[:, first] * columns[:, second]) @ weight.transpose(0, 2, 1)
        gram = np.empty((sections, rows, size, size))
        gram[:, :, first, second] = pairs.transpose(0, 2, 1)
        gram[:, :, second, first] = gram[:, :, first, second]
    right = right - sums * readings.mean[:, :, np.newaxis]
    count = np.maximum(readings.count[:, :rows], 1.0)
    gram = gram - sums[:, :, :, np.newaxis] * (sums / count[:, :, np.newaxis])[:, :, np.newaxis]
    if readings.segments > 1:
        series = (sections, -1, readings.segments)
        right = right.reshape(*series, size).sum(axis=2)
        if rows > 1:
            gram = gram.reshape(*series, size, size).sum(axis=2)
    return Moments(gram, right, sums, centre)
