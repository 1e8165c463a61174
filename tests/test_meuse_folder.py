"""The meuse soil data through a whole survey folder: maps and squares against gstat's figures.

The 155 points come with scikit-gstat; the node and block values are gstat's (R), listed in
check_values.md section 1.2 with the model nugget 0.0507, spherical 0.5906, range 897 m.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from shapely import LineString

from detect import job
from detect.geostat import Variogram

DATA = Path(__file__).parent / "data"

SETTINGS = """
[site]
name = "soil data, not a wreck"
[area]
outline = OUTLINE
overlap_m = 40.0
[readings]
file = "readings.csv"
[mapping]
node_m = 40.0
conditioning = []
[mapping.variogram]
model = "spherical"
nugget = 0.0507
partial_sill = 0.5906
range_m = 897.0
[squares]
size_m = 40.0
origin = [178400.0, 329400.0]
"""


def band_around(e, n, half_width_m=100.0):
    """An outline that holds the nodes listed and few other squares."""
    spine = LineString(sorted(zip(n, e, strict=True)))
    band = spine.buffer(half_width_m, join_style="mitre", cap_style="square")
    return [[float(x), float(y)] for y, x in band.exterior.coords[:-1]]


@pytest.fixture(scope="module")
def outcome(tmp_path_factory):
    skgstat = pytest.importorskip("skgstat")
    folder = tmp_path_factory.mktemp("meuse") / "soil"
    folder.mkdir()
    xy, zinc = skgstat.data.meuse(variable="zinc")["sample"]
    assert np.sum(zinc) == 72806  # check_values.md section 0
    table = pd.DataFrame({"lane": "soil", "e": xy[:, 0], "n": xy[:, 1]})
    table["signal"] = np.log(np.asarray(zinc, float).ravel())
    table.to_csv(folder / "readings.csv", index=False)
    nodes = pd.read_csv(DATA / "meuse_ok_block_gstat.csv").astype(float)
    outline = band_around(nodes["x"], nodes["y"])
    (folder / "survey.toml").write_text(SETTINGS.replace("OUTLINE", str(outline)))
    out = folder.parent / "out"
    job.rank(folder, out)
    maps_out = folder.parent / "maps"
    report = job.map_signal(folder, maps_out)
    return report, xr.open_dataset(maps_out / "maps.nc"), pd.read_csv(out / "squares.csv")


@pytest.fixture(scope="module")
def printed():
    return pd.read_csv(DATA / "meuse_ok_block_gstat.csv")


def test_point_kriging_in_maps_nc(outcome, printed):
    _, maps, _ = outcome
    at = {
        "e": xr.DataArray(printed["x"].astype(float)),
        "n": xr.DataArray(printed["y"].astype(float)),
    }
    here = maps.sel(at)
    np.testing.assert_allclose(here["signal"], printed["ok_pred"], rtol=1e-8)
    np.testing.assert_allclose(here["signal_sd"] ** 2, printed["ok_var"], rtol=1e-8)


def test_block_kriging_in_squares_csv(outcome, printed):
    _, _, squares = outcome
    squares = squares.assign(x=squares["e_min"] + 20, y=squares["n_min"] + 20)
    both = printed.merge(squares, on=["x", "y"])
    assert len(both) == len(printed)
    np.testing.assert_allclose(both["signal_mean"], both["blk40_pred"], rtol=1e-7)
    # gstat takes the within-block covariance by 4 x 4 Gauss-Legendre points, each counted against
    # itself; ours is exact (check_values.md 1.2): correct for the difference
    node, weight = np.polynomial.legendre.leggauss(4)
    e, n = (x.ravel() * 20.0 for x in np.meshgrid(node, node))
    w = np.outer(weight, weight).ravel() / 4.0
    model = Variogram(model="spherical", nugget=0.0, partial_sill=0.5906, range_m=897.0)
    coarse = w @ model.covariance(e[:, None] - e, n[:, None] - n) @ w
    # mean spherical covariance within a square, exact: check_values.md 1.6 by the same integral
    from scipy.integrate import dblquad

    exact = dblquad(
        lambda v, u: 4 * (1 - u) * (1 - v) * float(model.covariance(40 * u, 40 * v)),
        0,
        1,
        0,
        1,
        epsabs=1e-12,
    )[0]
    expected = both["blk40_var"] + exact - coarse
    np.testing.assert_allclose(both["signal_sd"] ** 2, expected, rtol=1e-5)


def test_the_map_checked_itself(outcome):
    # PyKrige on the same data and model, at a sample of nodes
    check = outcome[0].summary["crosscheck_pykrige"]
    assert check["ok"]
    assert check["nodes"] == 600
    assert check["max_abs_estimate"] < 1e-9
