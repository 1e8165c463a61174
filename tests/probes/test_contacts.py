"""Contact probability and depth from probes."""

import numpy as np
import pandas as pd
import pytest

from detect.probes import (
    contact_depth_model,
    contact_indicator,
    contact_model,
    contact_probability,
    correct_order,
    seabed_model,
)


def probes(seed=1, count=60):
    """A buried hull along n = 10: contact inside, none outside."""
    rng = np.random.default_rng(seed)
    e, n = rng.uniform(0, 30, count), rng.uniform(0, 20, count)
    met = np.abs(n - 10) < 4
    return pd.DataFrame(
        {
            "probe": [f"P{i}" for i in range(count)],
            "e": e,
            "n": n,
            "depth_m": np.where(met, 0.5 + 0.02 * e + rng.normal(0, 0.02, count), 1.5),
            "contact": np.where(met, "wood", "none"),
        }
    )


def test_only_the_word_none_is_no_contact():
    table = pd.DataFrame({"contact": ["none", "wood", "clay", "rope"]})
    np.testing.assert_array_equal(contact_indicator(table), [0, 1, 1, 1])


def test_probability_is_high_over_the_hull_and_low_off_it():
    model = contact_model(probes())
    probability, sd, _ = contact_probability(model, np.array([[15.0, 10.0], [15.0, 19.0]]))
    assert probability[0] > 0.8
    assert probability[1] < 0.2
    assert (sd > 0).all()


def test_probability_is_that_of_models_of_equal_weight():
    # variance of a mixture: mean of variances and variance of means (law of total variance)
    model = contact_model(probes())
    assert len(model.members) == 8
    nodes = np.array([[15.0, 10.0], [15.0, 15.0], [3.0, 13.0]])
    means, variances = zip(*(member.at(nodes) for member in model.members), strict=True)
    probability, sd, _ = contact_probability(model, nodes)
    second = np.mean([v + m**2 for m, v in zip(means, variances, strict=True)], axis=0)
    np.testing.assert_allclose(probability, np.clip(np.mean(means, axis=0), 0, 1))
    np.testing.assert_allclose(sd**2, second - np.mean(means, axis=0) ** 2, rtol=1e-9)
    assert (sd**2 > np.mean(variances, axis=0)).all()


def test_many_probes_leave_no_other_model_open():
    model = contact_model(probes(count=301))
    assert model.members == (model.model.kriging,)


def test_probability_stays_within_bounds_and_counts_what_left_them():
    corrected, touched = correct_order(np.array([-0.07, 0.0, 0.4, 1.0, 1.117]))
    np.testing.assert_allclose(corrected, [0, 0, 0.4, 1, 1])
    assert touched == 2


def test_meuse_indicator_leaves_the_bounds_and_is_corrected():
    # zinc < 500 at the 155 points of the `sp` meuse data (packaged in scikit-gstat);
    # gstat's minimum over meuse.grid is -0.070 and its maximum 1.117 (check_values.md 1.2):
    # indicator kriging does leave [0, 1]
    skgstat = pytest.importorskip("skgstat")
    from detect.geostat import Kriging, Variogram

    xy, zinc = skgstat.data.meuse(variable="zinc")["sample"]
    indicator = (np.asarray(zinc).ravel() < 500).astype(float)
    assert indicator.mean() == pytest.approx(0.6322580645)
    model = Variogram(model="spherical", nugget=0.05, partial_sill=0.20, range_m=900.0)
    kriging = Kriging(np.asarray(xy, float), indicator, model)
    estimate, _ = kriging.at(np.asarray([[181180.0, 333740.0]]))
    assert estimate[0] == pytest.approx(0.23339838824, rel=1e-8)
    e, n = np.meshgrid(np.arange(178600, 181500, 80.0), np.arange(329700, 333700, 80.0))
    raw, _ = kriging.at(np.column_stack([e.ravel(), n.ravel()]))
    _, touched = correct_order(raw)
    assert touched > 0


def test_all_probes_agreeing_is_not_certainty():
    table = probes().assign(contact="none")
    probability, sd, _ = contact_probability(contact_model(table), np.array([[15.0, 10.0]]))
    # Laplace's rule of succession with 0 of 60
    assert probability[0] == pytest.approx(1 / 62)
    assert sd[0] > 0


def test_few_probes_make_no_map():
    assert contact_model(probes(count=7)) is None
    assert contact_model(None) is None
    assert contact_depth_model(probes().assign(contact="none")) is None


def test_contact_depth_follows_the_hull():
    model = contact_depth_model(probes(count=120))
    estimate, variance = model.at(np.array([[5.0, 10.0], [25.0, 10.0]]))
    np.testing.assert_allclose(estimate, [0.6, 1.0], atol=0.06)
    assert (variance > 0).all()


def test_a_plane_of_soundings_is_returned_as_a_plane():
    rng = np.random.default_rng(4)
    e, n = rng.uniform(0, 30, 50), rng.uniform(0, 20, 50)
    table = pd.DataFrame(
        {"e": e, "n": n, "depth_m": 11 + 0.03 * e - 0.02 * n + rng.normal(0, 1e-3, 50)}
    )
    estimate, _ = seabed_model(table).kriging.at(np.array([[10.0, 10.0], [30.0, 20.0]]))
    np.testing.assert_allclose(estimate, [11.1, 11.5], atol=5e-3)
