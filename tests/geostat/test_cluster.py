"""The same tiles on a dask cluster give the same numbers."""

from __future__ import annotations

import numpy as np
import pytest

from detect.geostat import Kriging, Variogram

distributed = pytest.importorskip("distributed")


@pytest.fixture(scope="module")
def client():
    local = distributed.LocalCluster(
        n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None
    )
    with local, distributed.Client(local) as connected:
        yield connected


@pytest.mark.parametrize("neighbours", [None, 16])
@pytest.mark.parametrize("model", ["spherical", "exponential"])
def test_numbers_do_not_depend_on_where_they_are_worked_out(client, neighbours, model) -> None:
    rng = np.random.default_rng(0)
    points, values = rng.uniform(0, 40, (400, 2)), rng.normal(size=400)
    nodes = rng.uniform(0, 40, (3000, 2))
    kriging = Kriging(points, values, Variogram(model, 0.1, 1.0, 5.0), neighbours=neighbours)
    told: list[tuple[int, int]] = []
    there = kriging.at(nodes, lambda *done: told.append(done), client=client)
    np.testing.assert_allclose(there, kriging.at(nodes), rtol=1e-12, atol=1e-12)
    assert told[-1] == (3000, 3000)
    there = kriging.blocks(nodes[:50], 2.0, client=client.scheduler.address)
    np.testing.assert_allclose(there, kriging.blocks(nodes[:50], 2.0), rtol=1e-12, atol=1e-12)
