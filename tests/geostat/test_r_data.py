"""Data sets that only the R packages gstat and sp ship: check_values.md 1.2, 1.4 and 1.5.

Skipped where R or the packages are not installed; nothing is fetched.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from detect.geostat import Kriging, Variogram, leave_one_out_scores
from detect.geostat.declustering import cell_size_table, polygon_weights, weighted_moments

DUMP = """
suppressPackageStartupMessages({library(sp); library(gstat)})
data(sic97); data(walker); data(meuse); data(meuse.grid)
frame <- function(x) {x <- as.data.frame(x); x[sapply(x, is.numeric)]}
write.csv(frame(sic_obs), "train.csv", row.names = FALSE)
write.csv(frame(sic_full), "all.csv", row.names = FALSE)
write.csv(frame(walker), "walker.csv", row.names = FALSE)
write.csv(frame(walker.exh), "exhaustive.csv", row.names = FALSE)
write.csv(meuse.grid[, c("x", "y")], "grid.csv", row.names = FALSE)
write.csv(meuse.grid[, c("x", "y", "dist")], "grid_dist.csv", row.names = FALSE)
write.csv(meuse[, c("x", "y", "zinc", "dist")], "meuse_dist.csv", row.names = FALSE)
"""


@pytest.fixture(scope="module")
def r_data(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("r_data")
    if shutil.which("Rscript") is None:
        pytest.skip("R is not installed")
    done = subprocess.run(["Rscript", "-e", DUMP], cwd=folder, capture_output=True, text=True)
    if done.returncode != 0:
        pytest.skip(f"the R packages sp and gstat are not installed: {done.stderr[:200]}")
    return folder


def coordinates(frame: pd.DataFrame) -> np.ndarray:
    names = {c.lower(): c for c in frame.columns}
    pair = next(p for p in (("x", "y"), ("coords.x1", "coords.x2")) if set(p) <= set(names))
    return frame[[names[p] for p in pair]].to_numpy(float)


@pytest.fixture(scope="module")
def rainfall(r_data) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Training and validation places and readings, 0.1 mm."""
    train, whole = pd.read_csv(r_data / "train.csv"), pd.read_csv(r_data / "all.csv")
    known = set(map(tuple, coordinates(train)))
    rest = whole[[tuple(p) not in known for p in coordinates(whole)]]
    return (
        coordinates(train),
        train["rainfall"].to_numpy(float),
        coordinates(rest),
        rest["rainfall"].to_numpy(float),
    )


def test_rainfall_data(rainfall) -> None:
    _, train, _, rest = rainfall
    assert (len(train), len(rest)) == (100, 367)
    assert (train.mean(), train.std(ddof=1)) == pytest.approx((180.15, 116.681), abs=1e-3)
    assert (rest.mean(), rest.std(ddof=1)) == pytest.approx((185.3597, 111.1673), abs=1e-4)


@pytest.mark.parametrize(
    ("variogram", "neighbours", "rmse", "mae", "me", "r"),
    [
        (Variogram("spherical", 500, 14000, 80000), None, 54.39766, 38.34066, -3.15740, 0.87234),
        (Variogram("spherical", 500, 14000, 80000), 20, 54.86401, 38.63225, -1.91982, 0.86966),
        (
            Variogram("spherical", 500, 14000, 110000, 0.4, 45.0),
            None,
            53.43540,
            37.48765,
            -2.48746,
            0.87696,
        ),
    ],
    ids=["global", "20 neighbours", "anisotropic"],
)
def test_rainfall_predictions(rainfall, variogram, neighbours, rmse, mae, me, r) -> None:
    # check_values.md 1.4 (gstat only)
    points, values, there, truth = rainfall
    kriging = Kriging(points, values, variogram, neighbours=neighbours, neighbourhood="own")
    estimate, variance = kriging.at(there)
    scores = leave_one_out_scores(truth, estimate, variance)
    assert scores.rmse == pytest.approx(rmse, abs=1e-5)
    assert scores.mae == pytest.approx(mae, abs=1e-5)
    assert -scores.mean_error == pytest.approx(me, abs=1e-5)  # there: predicted less observed
    assert scores.correlation == pytest.approx(r, abs=1e-5)


def test_rainfall_by_inverse_distances(rainfall) -> None:
    # check_values.md 1.4, last row: what kriging is better than
    points, values, there, truth = rainfall
    weight = 1.0 / ((there[:, None] - points) ** 2).sum(axis=2)
    error = weight @ values / weight.sum(axis=1) - truth
    rmse, mae = np.sqrt(np.mean(error**2)), np.abs(error).mean()
    assert (rmse, mae, error.mean()) == pytest.approx((68.72854, 50.82789, 0.00971), abs=1e-5)
    assert np.corrcoef(truth, error + truth)[0, 1] == pytest.approx(0.81850, abs=1e-5)
    kriged, _ = Kriging(points, values, Variogram("spherical", 500, 14000, 80000)).at(there)
    assert np.sqrt(np.mean((kriged - truth) ** 2)) < 0.8 * rmse


def test_lake_facts(r_data) -> None:
    # check_values.md 1.5
    lake = pd.read_csv(r_data / "exhaustive.csv")
    u = lake["U"].to_numpy(float)
    assert (u.mean(), u.std(), u.max()) == pytest.approx((266.0438, 488.449, 9499.51), abs=1e-2)
    v = lake["V"].to_numpy(float)
    assert v.std() / v.mean() == pytest.approx(0.899, abs=5e-4)
    assert len(v) == 78_000
    assert (v.mean(), v.std()) == pytest.approx((277.9785844, 249.8448), abs=1e-4)
    np.testing.assert_allclose(np.percentile(v, [25, 50, 75]), [67.7975, 221.25, 429.3425])
    assert v.max() == pytest.approx(1631.16)
    assert (np.mean(v == 0), np.mean(v > 500)) == pytest.approx((0.07618, 0.188), abs=5e-5)


def test_declustering_the_lake(r_data) -> None:
    # check_values.md 1.5: the sample of 470 is preferential, mean 435.2987 (sd 299.88) for 277.98
    frame = pd.read_csv(r_data / "walker.csv").dropna(subset=["V"])
    points, v = coordinates(frame), frame["V"].to_numpy(float)
    assert (len(v), v.mean(), v.std(ddof=1)) == pytest.approx((470, 435.2987, 299.88), abs=5e-3)
    truth = 277.9785844
    table = cell_size_table(points, v, np.arange(5.0, 61.0, 5.0))
    best = table.loc[table["mean"].idxmin()]
    assert 15.0 <= best["size_m"] <= 35.0  # the first lattice of the sample is 20 m
    assert abs(best["mean"] - truth) < 0.1 * (v.mean() - truth) + 10.0
    areas, sd = weighted_moments(v, polygon_weights(points))
    assert abs(areas - truth) < 0.1 * (v.mean() - truth)
    assert sd == pytest.approx(249.84, rel=0.06)


def test_every_node_of_the_meuse_grid(r_data, meuse, meuse_model) -> None:
    # check_values.md 1.2: mean of 3,103 estimates and variances; indicators leave [0, 1]
    nodes = pd.read_csv(r_data / "grid.csv").to_numpy(float)
    assert len(nodes) == 3103
    estimate, variance = Kriging(*meuse, meuse_model).at(nodes)
    assert estimate.sum() == pytest.approx(17709.55195, abs=1e-4)
    assert estimate.mean() == pytest.approx(5.707236, abs=5e-7)
    assert variance.mean() == pytest.approx(0.18538300, abs=5e-9)
    below = (np.exp(meuse.values) < 500).astype(float)
    model = Variogram("spherical", nugget=0.05, partial_sill=0.20, range_m=900.0)
    indicator, _ = Kriging(meuse.points, below, model).at(nodes)
    assert (indicator.min(), indicator.max()) == pytest.approx((-0.07012137, 1.11677374), abs=1e-8)
    assert ((indicator < 0).sum(), (indicator > 1).sum()) == (56, 564)
    assert indicator.mean() == pytest.approx(0.71093, abs=5e-6)


def test_a_drift_from_outside(r_data) -> None:
    # check_values.md 1.2, last row (gstat only): ln zinc over the root of the distance to water.
    # `Kriging` has drifts of position only, so the bordered system is written out; the covariances
    # are the tool's.
    meuse, grid = (pd.read_csv(r_data / n) for n in ("meuse_dist.csv", "grid_dist.csv"))
    node = grid[(grid["x"] == 181180) & (grid["y"] == 333740)]
    v = Variogram("spherical", nugget=0.0514, partial_sill=0.149, range_m=700.0)
    points, target = meuse[["x", "y"]].to_numpy(float), node[["x", "y"]].to_numpy(float)
    lag, to = points[:, None] - points, points - target
    f = np.column_stack([np.ones(155), np.sqrt(meuse["dist"])])
    k, c0 = v.covariance(lag[..., 0], lag[..., 1]), v.covariance(to[:, 0], to[:, 1])
    right = np.r_[c0, 1.0, np.sqrt(node["dist"])]
    solution = np.linalg.solve(np.block([[k, f], [f.T, np.zeros((2, 2))]]), right)
    assert solution[:155] @ np.log(meuse["zinc"]) == pytest.approx(7.04408028656, abs=1e-9)
    assert v.sill - solution @ right == pytest.approx(0.147199863308, abs=1e-9)
