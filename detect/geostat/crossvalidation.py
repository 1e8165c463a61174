"""Whole lanes left out: the honest test of a map that is read densely along and sparsely across."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.linalg import LinAlgError, cho_factor, cho_solve, solve_triangular

from detect.geostat.errors import FloatArray, GeostatError, IntArray
from detect.geostat.kriging import Kriging
from detect.geostat.system import GlobalSystem


def leave_groups_out(
    kriging: Kriging, groups: npt.ArrayLike | Sequence[str]
) -> tuple[FloatArray, FloatArray]:
    r"""Predict the readings of each group (a lane, say) from those of all other groups.

    With all readings in one system, nothing is fitted again: for ``P = K^-1 - K^-1 F S^-1 F' K^-1``
    and B the readings left out::

        errors     y_B - estimate_B = (P_BB)^-1 (P y)_B
        covariance of the errors    = (P_BB)^-1

    which for groups of one is Dubrule's leave-one-out. With a neighbourhood each group is
    estimated from the rest outright.

    Parameters
    ----------
    kriging : Kriging
        The estimator, over all readings.
    groups : (N,) array or sequence
        Label of the group of each reading, in the order of the readings.

    Returns
    -------
    estimate, variance : (N,) arrays
        As `Kriging.leave_one_out`: the variance is that of the reading about its prediction,
        measurement error included.

    Raises
    ------
    GeostatError
        Not one label a reading, fewer than two groups, or a group (named) without which the mean
        or drift cannot be fixed.

    Notes
    -----
    Source: Dubrule, Math. Geology 15 (1983) 687-699, who leaves out several at once in his section
    on the method (from memory); the block of an inverse is the inverse of a Schur complement.
    Limit: the variogram is not fitted again without the group. Memory: N numbers a reading of the
    largest group, beside the factor.
    """
    data = kriging.data
    labels, members = np.unique(np.asarray(groups), return_inverse=True)
    members = members.ravel()
    if len(members) != len(data):
        raise GeostatError(f"{len(members)} group labels for {len(data)} readings")
    if len(labels) < 2:
        raise GeostatError("leaving out whole groups needs at least two of them")
    estimate, variance = np.empty(len(data)), np.empty(len(data))
    predict = _from_factor if isinstance(kriging.system, GlobalSystem) else _from_rest
    for number, label in enumerate(labels):
        out = np.flatnonzero(members == number)
        try:
            estimate[out], variance[out] = predict(kriging, out)
        except LinAlgError as error:
            raise GeostatError(
                f"leaving out group {label} leaves too few readings to fix the mean or drift"
            ) from error
        except GeostatError as error:
            raise GeostatError(f"leaving out group {label}: {error}") from error
    return estimate, variance


def _from_factor(kriging: Kriging, out: IntArray) -> tuple[FloatArray, FloatArray]:
    """Estimates and variances of one group, in closed form."""
    system = kriging.system
    assert isinstance(system, GlobalSystem)
    # Columns of L^-1 are zero above their own row: solve only the part below the first.
    top = int(out[0])
    unit = np.zeros((len(kriging.data) - top, len(out)), order="F")
    unit[out - top, np.arange(len(out))] = 1.0
    factor = system.factor[top:, top:]
    x = solve_triangular(factor, unit, lower=True, overwrite_b=True, check_finite=False)
    g = (x.T @ system.a[top:]) @ system.s_inverse_root
    inverse_block = x.T @ x
    smallest = 1e-12 * float(np.min(np.diag(inverse_block)))
    inverse_block -= g @ g.T
    block = cho_factor(inverse_block, lower=True)
    if float(np.min(np.diag(block[0]))) ** 2 < smallest:
        raise LinAlgError("the rest does not fix the drift")
    error = cho_solve(block, system.alpha[out])
    covariance = cho_solve(block, np.eye(len(out)))
    return kriging.data.values[out] - error, np.diag(covariance).copy()


def _from_rest(kriging: Kriging, out: IntArray) -> tuple[FloatArray, FloatArray]:
    """Estimates and variances of one group from neighbourhoods among the other readings."""
    data = kriging.data
    rest = np.setdiff1d(np.arange(len(data)), out)
    simple = data.drift.kind == "none"
    again = Kriging(
        data.points[rest],
        data.values[rest],
        kriging.variogram,
        np.sqrt(data.noise[rest]),
        kriging.neighbours,
        "constant" if simple else data.drift.kind,
        mean=data.mean if simple else None,
        neighbourhood=kriging.neighbourhood,
    )
    estimate, variance = again.at(data.points[out])
    return estimate, variance + data.noise[out]
