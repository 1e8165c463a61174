"""Several models of one thing, none known to be right: what they say together."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from detect.geostat.errors import FloatArray


def mixed(
    means: FloatArray | Sequence[FloatArray],
    variances: FloatArray | Sequence[FloatArray],
    worth: FloatArray | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return mean and variance of a mixture, ``E[m]`` and ``E[s2] + Var[m]``.

    Parameters
    ----------
    means, variances : (K, ...) arrays
        Of each of K models.
    worth : (K,) array, optional
        What each is worth; alike if not given.

    Notes
    -----
    Source: law of total variance (any textbook; from memory).
    """
    mean = np.average(means, axis=0, weights=worth)
    between = np.average((np.asarray(means) - mean) ** 2, axis=0, weights=worth)
    return mean, np.average(variances, axis=0, weights=worth) + between
