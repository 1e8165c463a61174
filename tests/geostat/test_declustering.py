"""Declustering: crowded readings weigh less, and the mean comes back to that of the site."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from detect.geostat import GeostatError, Variogram
from detect.geostat.declustering import (
    cell_size_table,
    cell_weights,
    polygon_weights,
    weighted_moments,
)
from detect.geostat.normal_scores import NormalScores

SQUARE = shapely.box(0, 0, 10, 10)


def test_areas_against_counting_nearest_nodes() -> None:
    points = np.random.default_rng(0).uniform(0, 10, (40, 2))
    side = np.linspace(0, 10, 801)[:-1] + 10 / 1600
    nodes = np.stack(np.meshgrid(side, side), axis=-1).reshape(-1, 2)
    counted = np.bincount(cKDTree(points).query(nodes)[1], minlength=40) / len(nodes) * 40
    np.testing.assert_allclose(polygon_weights(points, SQUARE), counted, atol=5e-3)


def test_a_regular_lattice_weighs_evenly() -> None:
    side = np.arange(1.0, 10.0, 2.0)
    points = np.stack(np.meshgrid(side, side), axis=-1).reshape(-1, 2)
    np.testing.assert_allclose(polygon_weights(points, SQUARE), 1.0, atol=1e-9)
    np.testing.assert_allclose(cell_weights(points, 2.0, 1), 1.0)


def test_cells_by_hand() -> None:
    # three readings in one cell, one in the next: 1/3 each and 1, made to average 1
    points = [[0.1, 0.1], [0.2, 0.5], [0.8, 0.9], [1.5, 0.5]]
    np.testing.assert_allclose(cell_weights(points, 1.0, 1), np.array([1, 1, 1, 3]) * 4 / 6)


@given(seed=st.integers(0, 1000), count=st.integers(4, 60), size=st.floats(0.2, 30))
@settings(max_examples=30, deadline=None)
def test_weights_are_weights(seed, count, size) -> None:
    points = np.random.default_rng(seed).uniform(0, 10, (count, 2))
    for weights in (cell_weights(points, size), polygon_weights(points, SQUARE)):
        assert (weights >= 0).all()
        assert weights.mean() == pytest.approx(1.0)
    again = np.r_[points, points]  # all of them twice: each weighs as before
    np.testing.assert_allclose(
        polygon_weights(again, SQUARE), np.tile(polygon_weights(points, SQUARE), 2), rtol=1e-6
    )


def test_preferential_sampling_is_undone() -> None:
    # twenty fields; after a lattice, forty more readings are taken next to the highest ten: the
    # plain mean is too high in each, and both kinds of weights take off most of that
    v = Variogram("spherical", 0.0, 1.0, 6.0)
    side = np.arange(0.5, 20.0, 1.0)
    nodes = np.stack(np.meshgrid(side, side), axis=-1).reshape(-1, 2)
    lag = nodes[:, None] - nodes[None]
    root = np.linalg.cholesky(v.covariance(lag[..., 0], lag[..., 1]) + 1e-10 * np.eye(400))
    rng = np.random.default_rng(1)
    first = np.flatnonzero((nodes % 4.0 == 2.5).all(axis=1))
    off = {"plain": [], "cells": [], "areas": []}
    for _ in range(20):
        field = np.exp(root @ rng.normal(size=400))
        best = first[np.argsort(field[first])[-6:]]
        near = np.unique(cKDTree(nodes).query(nodes[best], k=8)[1])
        taken = np.union1d(first, near)
        points, values, truth = nodes[taken], field[taken], field.mean()
        cells = cell_weights(points, 4.0)
        areas = polygon_weights(points, shapely.box(0, 0, 20, 20))
        off["plain"].append(values.mean() - truth)
        off["cells"].append(weighted_moments(values, cells)[0] - truth)
        off["areas"].append(weighted_moments(values, areas)[0] - truth)
    bias = {name: np.mean(errors) for name, errors in off.items()}
    assert bias["plain"] > 0.5
    assert abs(bias["cells"]) < 0.35 * bias["plain"]
    assert abs(bias["areas"]) < 0.25 * bias["plain"]


def test_mean_by_cell_size_dips_where_high_readings_crowd() -> None:
    rng = np.random.default_rng(2)
    spread = rng.uniform(0, 20, (60, 2))
    crowd = rng.normal([15.0, 5.0], 0.4, (60, 2))
    points = np.r_[spread, crowd]
    values = np.exp(-np.hypot(*(points - [15.0, 5.0]).T) / 3.0)
    table = cell_size_table(points, values, [0.01, 2.0, 4.0, 200.0])
    assert table["mean"].iloc[0] == pytest.approx(values.mean(), abs=1e-6)
    assert table["mean"].iloc[-1] == pytest.approx(values.mean(), rel=0.15)
    assert table["mean"].iloc[1:3].max() < 0.5 * values.mean()


def test_weighted_scores_put_the_median_of_the_site_at_0() -> None:
    points = np.r_[np.arange(0.5, 10.0)[:, None] * [1.0, 0.0] + [0.0, 5.0], [[9.4, 5.0]] * 9]
    points[10:, 1] += np.linspace(0.01, 0.09, 9)
    values = points[:, 0]
    scale = NormalScores.of(values, polygon_weights(points, SQUARE))
    assert NormalScores.of(values).back(0.0) > 8.0
    assert float(scale.back(0.0)) == pytest.approx(5.0, abs=0.6)


def test_what_cannot_be_weighed_is_named() -> None:
    with pytest.raises(GeostatError, match="one line"):
        polygon_weights([[0, 0], [1, 0], [2, 0]])
    with pytest.raises(GeostatError, match="outline"):
        polygon_weights([[0, 0], [1, 0], [0, 1]], shapely.Polygon())
    with pytest.raises(GeostatError, match="size_m"):
        cell_weights([[0, 0]], 0.0)
    with pytest.raises(GeostatError, match="negative"):
        weighted_moments([1.0, 2.0], [-1.0, 1.0])
