"""A mixture has the moments of its draws."""

import numpy as np
import pytest

from detect.geostat.mixtures import mixed


def test_mixed_has_the_moments_of_a_mixture() -> None:
    # reference: a million draws of the mixture
    mean, sd, worth = np.array([0.1, 0.4]), np.array([0.05, 0.1]), np.array([0.7, 0.3])
    rng = np.random.default_rng(1)
    which = rng.choice(2, 1_000_000, p=worth)
    draws = rng.normal(mean[which], sd[which])
    middle, variance = mixed(mean, sd**2, worth)
    assert (middle, np.sqrt(variance)) == pytest.approx((draws.mean(), draws.std()), abs=1e-3)


def test_parts_of_a_mixture_are_alike_if_nothing_is_said() -> None:
    means, variances = np.array([[0.0, 1.0], [2.0, 1.0]]), np.array([[1.0, 4.0], [3.0, 4.0]])
    mean, variance = mixed(means, variances)
    assert mean.tolist() == [1.0, 1.0]
    assert variance.tolist() == [3.0, 4.0]
