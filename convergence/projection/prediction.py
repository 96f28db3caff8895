"""What a section's model says of one series at the dates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Prediction:
    """One series at the dates of its section, for each sample of the shape.

    Attributes
    ----------
    mean, variance : (s, e) arrays
        Movement since the zero reading [mm] and its variance given the shape: amplitudes, readings, unknown part.
    unknown : (e,) array
        The part of the variance that is what the law does not describe [mm2].
    lost, lost_variance : (s,) arrays
        Movement before the zero reading.
    total_variance : (s, e) array
        Variance of movement since excavation, whose mean is ``mean + lost``.
    rate, rate_variance : (s, r) arrays
        Movement per day [mm/day] and its variance between the pairs of ``SectionModel.rate_dates``.
    by_stage : (s, K) array
        Movement since the zero reading at the last date caused by each stage.
    stage_covariance : (K, K) array
        Covariance of the stages' parts over the samples [mm2].
    joint : (e, e) array
        Covariance of the movement at all dates, shapes and amplitudes together [mm2].
    amplitude, amplitude_variance : (s, K) arrays
        Amplitude of each stage: what comes of it from the reference distance on [mm], and its variance.
    instantaneous : (s,) array
        Instantaneous movement of the first stage, far behind the face and ahead of it together [mm].
    """

    mean: Floats
    variance: Floats
    unknown: Floats
    lost: Floats
    lost_variance: Floats
    total_variance: Floats
    rate: Floats
    rate_variance: Floats
    by_stage: Floats
    stage_covariance: Floats
    joint: Floats
    amplitude: Floats
    amplitude_variance: Floats
    instantaneous: Floats
