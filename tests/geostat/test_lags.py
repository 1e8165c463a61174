"""Bins from the lanes themselves: bearing, step, spacing, and what the views then show."""

from __future__ import annotations

import numpy as np
import pytest

from detect.geostat import GeostatError
from detect.geostat.lags import lane_layout, lane_variograms


def swum(azimuth: float, spacing: float = 1.5, step: float = 0.25, lanes: int = 9):
    """Lanes of 20 m on a bearing, wandering by 5 cm, one swum twice, and two across."""
    rng = np.random.default_rng(0)
    theta = np.radians(azimuth)
    along, across = (
        np.array([np.sin(theta), np.cos(theta)]),
        np.array([np.cos(theta), -np.sin(theta)]),
    )
    run = np.arange(0.0, 20.0, step)[:, None]
    parts = [run * along + k * spacing * across for k in [*range(lanes), 2]]
    cross = np.arange(0.0, lanes * spacing, step)[:, None]
    parts += [cross * across + k * along for k in (5.0, 15.0)]
    label = np.repeat(np.arange(len(parts)), [len(p) for p in parts])
    points = np.concatenate(parts)
    return points + rng.normal(0, 0.05, points.shape), label


@pytest.mark.parametrize("azimuth", [0.0, 37.0, 90.0, 179.0])
def test_layout_is_found(azimuth) -> None:
    points, label = swum(azimuth)
    layout = lane_layout(points + 300.0, label)
    assert (layout.azimuth_deg - azimuth + 90) % 180 - 90 == pytest.approx(0.0, abs=1.5)
    assert layout.spacing_m == pytest.approx(1.5, abs=0.05)
    assert layout.step_m == pytest.approx(0.25, abs=0.06)


def test_views_have_bins_that_hold_pairs() -> None:
    points, label = swum(20.0)
    theta = np.radians(20.0)
    off = points @ [np.cos(theta), -np.sin(theta)]
    values = np.sin(off) + 0.05 * np.random.default_rng(1).normal(size=len(points))
    views = lane_variograms(points, values, label)
    along, across, pooled = views["along"], views["across"], views["pooled"]
    assert along.lag_m.iloc[0] < 0.3
    # the bins about whole spacings, each with pairs to spare
    spacings = across.lag_m[across.lag_m > 0.75] / 1.5
    np.testing.assert_allclose(spacings, np.arange(1, len(spacings) + 1), atol=0.12)
    assert across.pairs[across.lag_m > 0.75].min() > 100
    # the field changes across the lanes only
    assert across.semivariance.max() > 5 * along.semivariance.iloc[:8].max()
    assert pooled.pairs.sum() > along.pairs.sum()
    assert pooled.attrs["cutoff_m"] >= 2.5 * 1.49


def test_wide_lanes_are_still_seen_across() -> None:
    points, label = swum(0.0, spacing=6.0, step=0.2, lanes=5)
    pooled = lane_layout(points, label).pooled
    assert pooled["cutoff_m"] >= 2 * 6.0


def test_a_single_lane_has_no_view_across() -> None:
    points = np.column_stack([np.zeros(40), np.arange(0, 10, 0.25)])
    views = lane_variograms(points, np.arange(40.0), ["L1"] * 40)
    assert "across" not in views
    with pytest.raises(GeostatError, match="single lane"):
        _ = lane_layout(points, ["L1"] * 40).across


def test_what_is_no_layout_is_named() -> None:
    with pytest.raises(GeostatError, match="2 readings"):
        lane_layout([[0, 0], [1, 1]], ["a"])
    with pytest.raises(GeostatError, match="one place"):
        lane_layout([[1, 1], [1, 1]], ["a", "b"])
