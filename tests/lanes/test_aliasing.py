"""Power lost between lanes: against Reid's closed forms, and what it is for the coil."""

import numpy as np
import pytest

from detect.lanes.aliasing import aliased_share, coil_aliased_share
from detect.survey.settings import Detector

X = np.arange(-400.0, 400.0, 0.02)
DETECTOR = Detector(coil_diameter_m=0.28, coil_height_m=0.12, air_range_m=0.75)


# Reid 1980, Geophysics 45: share of power aliased for spacing D over source depth h; closed forms
# and values from check_values.md section 5 (formulas from memory, numbers computed there)
@pytest.mark.parametrize(
    ("ratio", "field", "gradient"),
    [(1, 0.0018674, 0.0504628), (2, 0.0432139, 0.3922266), (4, 0.2078796, 0.7908772)],
)
def test_reids_fractions(ratio, field, gradient):
    h = 1.0
    # power exp(-2 k h): the profile h / (x^2 + h^2); its slope has k^2 times that
    total = h / (X**2 + h**2)
    slope = -2.0 * X * h / (X**2 + h**2) ** 2
    assert np.exp(-2 * np.pi * h / ratio) == pytest.approx(field, rel=1e-4)
    assert aliased_share(total, 0.02, ratio * h) == pytest.approx(field, rel=0.01)
    assert aliased_share(slope, 0.02, ratio * h) == pytest.approx(gradient, rel=0.01)


def test_wider_lanes_lose_more_and_deeper_targets_less():
    by_spacing = [coil_aliased_share(DETECTOR, 0.3, d) for d in (0.25, 0.5, 1.0, 2.0)]
    assert np.all(np.diff(by_spacing) > 0)
    by_depth = [coil_aliased_share(DETECTOR, z, 1.0) for z in (0.05, 0.3, 0.6, 0.9)]
    assert np.all(np.diff(by_depth) < 0)


def test_a_metre_between_lanes_loses_most_of_a_shallow_target():
    assert coil_aliased_share(DETECTOR, 0.1, 1.0) > 0.5
    assert coil_aliased_share(DETECTOR, 0.1, 0.2) < 0.05
