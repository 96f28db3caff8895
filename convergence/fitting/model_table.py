"""The table of bases of a model, where it can have one."""

from __future__ import annotations

import numpy as np

from convergence.fitting.basis_table import BasisTable, basis_table
from convergence.fitting.model import Model


def model_table(model: Model) -> BasisTable | None:
    """Work the bases out beforehand where the influence length of the hereditary law alone bends them.

    Parameters
    ----------
    model : Model

    Returns
    -------
    BasisTable or None
        None where something else bends them, or where the table would not be accurate.
    """
    moving = [j for j, place in enumerate(model.nonlinear) if model.free[place]]
    if model.law.family != "hereditary" or len(moving) != 1:
        return None
    place = model.nonlinear[moving[0]]
    if model.kinds[place] != "length":
        return None
    shape = np.where(np.isnan(model.held[model.nonlinear]), 1.0, model.held[model.nonlinear])
    low, high = float(model.lower[place]), float(model.upper[place])
    return basis_table(model.bases, shape, moving[0], low, high)
