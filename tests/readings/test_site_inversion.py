"""Sources that cannot be negative: against scipy's own solvers, and on planted metal."""

import numpy as np
import pandas as pd
from planted import DETECTOR, signal_over
from scipy.optimize import nnls
from scipy.sparse import csr_matrix

from detect.lanes import response_ratio
from detect.readings.site_inversion import System, fit_sources, invert_site
from detect.readings.sources import Sources, response_operator, source_depths, sources_under
from detect.survey.grid import Grid

GRID = Grid(np.arange(0.25, 8, 0.5), np.arange(0.25, 8, 0.5), 0.5)
CELLS = GRID.field(np.zeros(GRID.shape), "cells", "1", "")


def swum(targets, seed=0, lag=0.0, noise=1.0):
    """Lanes half a metre apart, out and back, over targets e, n, depth, strength."""
    rng = np.random.default_rng(seed)
    parts = []
    for lane, e in enumerate(np.arange(0.25, 8.0, 0.5)):
        n = np.arange(0.0, 8.01, 0.25)
        sign = 1.0 if lane % 2 == 0 else -1.0
        signal = rng.normal(0, noise, n.size) + signal_over(targets, e, n - sign * lag)
        parts.append(
            pd.DataFrame(
                {
                    "e": e,
                    "n": n,
                    "signal": signal,
                    "lane": f"L{lane}",
                    "track": lane,
                    "heading_deg": 0.0 if sign > 0 else 180.0,
                    "used": True,
                    "at_full_scale": False,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def small_system(seed=0, readings=60, sources=25):
    rng = np.random.default_rng(seed)
    a = rng.uniform(0, 1, (readings, sources)) * (rng.random((readings, sources)) < 0.4)
    truth = np.where(rng.random(sources) < 0.3, rng.uniform(1, 5, sources), 0.0)
    y = a @ truth + rng.normal(0, 0.3, readings)
    no = np.zeros(readings, bool)
    return System(csr_matrix(a), np.ones(sources), y, np.ones(readings), no), a, y


def test_without_penalty_it_is_non_negative_least_squares():
    # reference: scipy.optimize.nnls (Lawson & Hanson 1974)
    system, a, y = small_system()
    np.testing.assert_allclose(fit_sources(system, 0.0, steps=2000), nnls(a, y)[0], atol=2e-3)


def test_the_penalty_is_a_larger_system_of_nnls():
    # lambda sum u + |y - A u|^2 / 2 has the slopes of nnls with A'y lowered by lambda
    system, a, y = small_system(3)
    u = fit_sources(system, 2.0, steps=2000)
    slope = a.T @ (a @ u - y) + 2.0
    assert np.abs(slope[u > 1e-6]).max() < 1e-2
    assert slope.min() > -1e-2


def test_a_fit_that_starts_at_another_ends_where_one_from_nothing_does():
    # reference: scipy.optimize.nnls on the readings weighed anew
    system, a, y = small_system(5)
    weight = np.random.default_rng(8).exponential(size=len(y))
    root = np.sqrt(weight)
    best = nnls(a * root[:, None], y * root)[0]
    start = fit_sources(system, 0.0, steps=2000)
    u = fit_sources(system, 0.0, weight, steps=2000, start=start)
    assert np.sum(weight * (a @ u - y) ** 2) < 1.01 * np.sum(weight * (a @ best - y) ** 2)
    assert np.sum(weight * (a @ start - y) ** 2) > 1.02 * np.sum(weight * (a @ best - y) ** 2)


def test_a_reading_at_full_scale_is_at_least_that():
    system, a, y = small_system(1)
    cut = np.minimum(y, 4.0)
    at_least = y > 4.0
    assert at_least.sum() > 3
    clipped = System(system.operator, system.scale, cut, system.weight, at_least)
    u = fit_sources(clipped, 0.0, steps=2000)
    assert (a @ u)[at_least].mean() > 4.0
    np.testing.assert_array_less(-1e-12, u)


def test_the_operator_is_the_response_of_the_coil():
    sources = Sources(np.array([[1.0, 1.0], [2.0, 1.5]]), np.array([0.2, 0.6]), np.arange(2))
    points = np.array([[1.0, 1.0], [1.3, 0.9], [2.4, 2.0]])
    operator = response_operator(points, sources, DETECTOR, 3.5).toarray()
    rho = np.hypot(*(points[:, None] - sources.nodes).transpose(2, 0, 1))
    for layer, depth in enumerate(sources.depths):
        exact = 3.5 * response_ratio(rho, 0.12 + depth, DETECTOR)
        exact[rho > 1.5] = 0.0
        ours = operator[:, 2 * layer : 2 * layer + 2]
        np.testing.assert_allclose(ours, exact, rtol=2e-5)


def test_sources_fill_the_cells_of_the_map():
    sources = sources_under(CELLS, DETECTOR, GRID.nodes)
    assert len(sources.nodes) == 4 * CELLS.size
    assert (np.bincount(sources.cell) == 4).all()
    apart = np.abs(sources.nodes - GRID.nodes[sources.cell])
    np.testing.assert_allclose(apart, 0.125)
    np.testing.assert_allclose(source_depths(DETECTOR), [0.15, 0.3975, 0.75])


def test_a_wide_site_costs_what_its_lanes_cover():
    # two readings ten kilometres apart under cells of 40 m: a lattice over all would not fit
    axis = np.arange(20.0, 10_000.0, 40.0)
    grid = Grid(axis, axis, 40.0)
    cells = grid.field(np.zeros(grid.shape), "cells", "1", "")
    points = np.array([[30.0, 30.0], [9_900.0, 9_900.0]])
    sources = sources_under(cells, DETECTOR, points)
    assert len(sources.nodes) < 500
    assert set(sources.cell) == {0, (axis.size - 3) * axis.size + axis.size - 3}


def test_planted_metal_comes_back_where_it_lies():
    targets = [(2.0, 2.0, 0.3, 3.0), (6.0, 5.0, 0.5, 8.0)]
    metal = invert_site(swum(targets), DETECTOR, 1.0, CELLS, seed=1)
    for e, n, _, strength in targets:
        near = np.hypot(*(GRID.nodes - [e, n]).T) < 1.2
        # few depths: a factor of three either way (see the docstring's limits)
        assert strength / 3.5 < metal.strength.ravel()[near].sum() < 3.5 * strength
    empty = np.hypot(*(GRID.nodes - [2.0, 6.5]).T) < 1.0
    assert metal.strength.ravel()[empty].sum() < 0.5
    assert metal.sd.shape == GRID.shape
    assert metal.sd.max() > 0
    assert len(metal.choice) == 3


def test_strength_does_not_depend_on_the_unit():
    readings = swum([(4.0, 4.0, 0.3, 4.0)])
    one = invert_site(readings, DETECTOR, 1.0, CELLS, seed=1)
    louder = readings.assign(signal=1000.0 * readings["signal"])
    other = invert_site(louder, DETECTOR, 1000.0, CELLS, seed=1)
    np.testing.assert_allclose(one.strength.sum(), other.strength.sum(), rtol=0.02)
