"""Each kind of contact gets a probability, and with none they add up to 1."""

import numpy as np
import pandas as pd
import pytest

from detect.probes import as_name, kind_model, kind_probabilities, relief


def probes(count=80, seed=2):
    """Wood in the west, metal in the east, one shell, nothing in the north."""
    rng = np.random.default_rng(seed)
    e, n = rng.uniform(0, 30, count), rng.uniform(0, 20, count)
    contact = np.where(n > 14, "none", np.where(e < 15, "wood", "metal"))
    contact[0] = "shell"
    return pd.DataFrame({"e": e, "n": n, "depth_m": 0.7, "contact": contact})


def test_kinds_and_none_add_up_to_one_and_lie_where_they_were_met():
    model = kind_model(probes())
    nodes = np.array([[5.0, 5.0], [25.0, 5.0], [14.0, 18.0]])
    contact, contact_sd = np.array([0.9, 0.8, 0.1]), np.full(3, 0.1)
    found = kind_probabilities(model, nodes, contact, contact_sd)
    assert set(found) == {"wood", "metal", "shell"}
    total = sum(mean for mean, _ in found.values())
    np.testing.assert_allclose(total + (1.0 - contact), 1.0)
    assert all((mean >= 0).all() and (sd > 0).all() for mean, sd in found.values())
    assert found["wood"][0][0] > 0.7
    assert found["metal"][0][1] > 0.6


def test_shares_before_correction_add_up_because_weights_do():
    model = kind_model(probes())
    nodes = np.random.default_rng(0).uniform([0, 0], [30, 20], (50, 2))
    np.testing.assert_allclose(model.kriging.weights(nodes).sum(axis=1), 1.0)
    share, _ = model.shares(nodes, size_m=2.0)
    np.testing.assert_allclose(share.sum(axis=1), 1.0)


def test_one_kind_takes_all_of_the_contact():
    table = probes().assign(contact=lambda t: np.where(t["contact"] == "none", "none", "wood"))
    found = kind_probabilities(
        kind_model(table), np.zeros((1, 2)), np.array([0.4]), np.array([0.1])
    )
    assert found["wood"][0][0] == pytest.approx(0.4)


def test_too_little_to_tell_kinds_apart():
    assert kind_model(None) is None
    assert kind_model(probes().iloc[:7]) is None
    assert kind_model(probes().assign(contact="none")) is None
    assert as_name("Ship's timber") == "ship_s_timber"


def test_a_mound_stands_out_of_a_sloping_bed():
    # a plane, with a mound 0.4 m high on it: both known
    rng = np.random.default_rng(3)
    points = rng.uniform(0, [30, 20], (150, 2))

    def bed(at):
        mound = 0.4 * np.exp(-(((at[:, 0] - 12) / 5) ** 2) - ((at[:, 1] - 10) / 3) ** 2)
        return 11 + 0.02 * at[:, 0] - 0.01 * at[:, 1] - mound

    nodes = np.array([[12.0, 10.0], [27.0, 2.0], [2.0, 18.0]])
    depth = bed(points) + rng.normal(0, 0.01, 150)
    height, variance = relief(points, depth, nodes, bed(nodes), np.full(3, 1e-4))
    np.testing.assert_allclose(height, [0.4, 0.0, 0.0], atol=0.03)
    assert (variance > 1e-4).all()
