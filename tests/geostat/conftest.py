"""Data and slow plain references for the tests of detect.geostat."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest
from skgstat.data import meuse as packaged_meuse

from detect.geostat import Variogram

DATA = Path(__file__).parents[1] / "data"


class Layout(NamedTuple):
    points: np.ndarray
    values: np.ndarray


@pytest.fixture(scope="session")
def seven() -> Layout:
    """Isaaks & Srivastava 1989, ch. 12 (numbers from memory, recomputed: check_values.md 1.1)."""
    table = np.loadtxt(DATA / "kriging_seven_points.csv", delimiter=",", skiprows=1)
    return Layout(table[:, :2], table[:, 2])


@pytest.fixture(scope="session")
def meuse() -> Layout:
    """155 readings of zinc, ln(ppm), from the PyPI package scikit-gstat (nothing is fetched)."""
    points, zinc = packaged_meuse(variable="zinc")["sample"]
    assert float(np.sum(zinc)) == 72806.0  # check_values.md 0
    return Layout(np.asarray(points, float), np.log(np.asarray(zinc, float).ravel()))


@pytest.fixture(scope="session")
def meuse_nodes() -> pd.DataFrame:
    """Eight nodes estimated by the R package gstat (check_values.md 1.2)."""
    return pd.read_csv(DATA / "meuse_ok_block_gstat.csv")


@pytest.fixture(scope="session")
def meuse_model() -> Variogram:
    """The fixed model of check_values.md 1.2."""
    return Variogram("spherical", nugget=0.0507, partial_sill=0.5906, range_m=897.0)


@pytest.fixture(scope="session")
def lanes() -> Layout:
    """Six swum lanes 2 m apart, a reading about every 0.8 m, a smooth field with noise."""
    rng = np.random.default_rng(11)
    along, across = np.meshgrid(np.arange(0.0, 12.0, 0.8), np.arange(0.0, 12.0, 2.0))
    points = np.column_stack([across.ravel(), along.ravel()]) + rng.normal(0, 0.1, (90, 2))
    values = np.sin(points[:, 0] / 2) + np.cos(points[:, 1] / 3) + rng.normal(0, 0.1, 90)
    return Layout(points, values)


Plain = Callable[..., tuple[np.ndarray, np.ndarray, np.ndarray]]


@pytest.fixture(scope="session")
def plain_kriging() -> Plain:
    """Kriging by the bordered system, one node at a time with a general solver: slow and plain.

    Returns estimate, variance and weights. Readings at one place (distance exactly 0) share the
    nugget; measurement variance stands on the diagonal.
    """

    def drift(points: np.ndarray, kind: str) -> np.ndarray:
        e, n = points[:, 0], points[:, 1]
        columns = [np.ones_like(e), e, n, e * e, e * n, n * n]
        return np.column_stack(columns[: {"constant": 1, "linear": 3, "quadratic": 6}[kind]])

    def krige(
        points: np.ndarray,
        values: np.ndarray,
        variogram: Variogram,
        nodes: np.ndarray,
        measurement_sd: float | np.ndarray = 0.0,
        neighbours: int = 0,
        kind: str = "constant",
        offsets: np.ndarray | None = None,
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """``offsets`` (G, 2): estimate the plain mean over these points about each node."""
        count = len(points)
        noise = np.broadcast_to(np.square(measurement_sd), (count,))
        estimate, variance = np.empty(len(nodes)), np.empty(len(nodes))
        weights = np.zeros((len(nodes), count))
        for m, node in enumerate(nodes):
            near = np.arange(count)
            if neighbours:
                near = np.argsort(np.hypot(*(points - node).T), kind="stable")[:neighbours]
            p = points[near]
            lag = p[:, None] - p[None]
            k = variogram.covariance(lag[..., 0], lag[..., 1]) + np.diag(noise[near])
            target = node[None] if offsets is None else node + offsets
            to = p[:, None] - target[None]
            c0 = variogram.covariance(to[..., 0], to[..., 1]).mean(axis=1)
            own = target[:, None] - target[None]
            c00 = variogram.covariance(own[..., 0], own[..., 1]).mean()
            f, f0 = drift(p, kind), drift(target, kind).mean(axis=0)
            size = len(near)
            a = np.zeros((size + f.shape[1],) * 2)
            a[:size, :size], a[:size, size:], a[size:, :size] = k, f, f.T
            solution = np.linalg.solve(a, np.r_[c0, f0])
            weights[m, near] = solution[:size]
            estimate[m] = solution[:size] @ values[near]
            variance[m] = c00 - solution @ np.r_[c0, f0]
        return estimate, variance, weights

    return krige
