"""Charts: what they mark and with which units."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import PathCollection
from matplotlib.figure import Figure

from detect.geostat import Variogram
from detect.present.backdrop import Backdrop
from detect.present.charts import draw_cross_validation, draw_rank_intervals, draw_variogram
from detect.present.plan_figure import dive_line, dive_number, draw_plan
from detect.present.traces import TraceScale, draw_conditioning

Said = Callable[[Figure], str]


def test_variogram_marks_nugget_sill_range_and_pairs(
    figures: dict[str, Figure], experimental: dict[str, pd.DataFrame], said: Said
) -> None:
    lines = said(figures["variogram"]).splitlines()
    for wanted in (
        "nugget 4",
        "sill 884",
        "practical range 4.2 m",
        "semivariance (mV²)",
        "lag distance (m)",
        "along the lanes",
        "across the lanes",
        "The fit is poor: read the maps with care.",
        "at bound",
    ):
        assert wanted in lines, wanted
    assert str(experimental["pooled"]["pairs"].iloc[0]) in lines


def test_points_of_the_variogram_grow_with_their_pairs(
    figures: dict[str, Figure], experimental: dict[str, pd.DataFrame]
) -> None:
    clouds = [c for c in figures["variogram"].axes[0].collections if isinstance(c, PathCollection)]
    for cloud, table in zip(clouds, experimental.values(), strict=True):
        assert np.all(np.diff(cloud.get_sizes()) > 0) == np.all(np.diff(table["pairs"]) > 0)


def test_an_anisotropic_model_is_drawn_both_along_and_across_the_lanes(
    experimental: dict[str, pd.DataFrame], said: Said
) -> None:
    model = Variogram(
        model="spherical",
        nugget=0.0,
        partial_sill=1.0,
        range_m=6.0,
        anisotropy_ratio=0.5,
        azimuth_deg=90.0,
    )
    figure = draw_variogram(experimental, model, unit="mV", lane_bearing_deg=90.0)
    curves = {str(line.get_label()): line for line in figure.axes[0].lines}
    # At 3 m: half of the range along, the whole of it across. Sph(1/2) = 0.6875.
    for name, value in (("model along", 0.6875), ("model across", 1.0)):
        lag, height = curves[name].get_data()
        assert np.interp(3.0, lag, height) == pytest.approx(value, abs=1e-3)


def test_a_range_beyond_the_lags_is_said_not_drawn(
    experimental: dict[str, pd.DataFrame], said: Said
) -> None:
    far = Variogram(model="spherical", nugget=0.0, partial_sill=900.0, range_m=80.0)
    text = said(draw_variogram(experimental, far, unit="mV"))
    assert "practical range 80 m, beyond the lags shown" in text


def test_cross_validation_scores_by_hand(said: Said) -> None:
    # Errors 1, -1, 2 with standard deviations 1, 2, 1: mean square (1 + 1/4 + 4)/3 = 1.75;
    # one of three lies outside +-1.645; RMS sqrt(2). The fourth datum has no variance.
    figure = draw_cross_validation(
        [1.0, 1.0, 5.0, 9.0], [0.0, 2.0, 3.0, np.nan], [1.0, 4.0, 1.0, np.nan], unit="mV"
    )
    text = said(figure)
    assert "n = 3" in text
    assert "mean error 0.67 mV" in text
    assert "RMS error 1.41 mV" in text
    assert "mean square 1.75 (1 wanted)" in text
    assert "in the 90 % interval 67 %" in text
    assert "observed (mV)" in text


def test_values_without_a_unit_have_no_brackets(said: Said) -> None:
    text = said(draw_cross_validation([1.0, 2.0], [1.5, 1.0], [1.0, 1.0], quantity="loudness"))
    assert {"observed loudness", "loudness estimated from the others"} <= set(text.splitlines())
    assert "()" not in text


def test_long_notes_are_wrapped_onto_the_page(
    experimental: dict[str, pd.DataFrame], variogram: Variogram
) -> None:
    figure = draw_variogram(experimental, variogram, unit="mV", notes=("word " * 60,))
    assert all(t.get_window_extent().x1 <= figure.bbox.x1 for t in figure.texts)
    assert all(t.get_window_extent().y0 >= 0 for t in figure.texts)


def test_wild_standardised_errors_are_counted_not_hidden(said: Said) -> None:
    figure = draw_cross_validation([0.0, 9.0, -8.0], [0.0, 0.0, 0.0], [1.0, 1.0, 1.0], unit="mV")
    assert "beyond ±4: 2, in the end bars" in said(figure)


def test_rank_bars_span_their_intervals(squares: pd.DataFrame, said: Said) -> None:
    figure = draw_rank_intervals(squares, most=5, top_k=10)
    (bars,) = figure.axes[0].collections
    spans = [tuple(segment[:, 0]) for segment in bars.get_segments()]  # type: ignore[attr-defined]
    best = squares.head(5)
    assert spans == list(zip(best["rank_p05"], best["rank_p95"], strict=True))
    lines = said(figure).splitlines()
    assert f"{best['p_top_k'].iloc[0]:.2f}" in lines
    assert "probability" in lines


def test_search_chart_says_footprint_and_spacing(figures: dict[str, Figure], said: Said) -> None:
    text = said(figures["search"])
    assert "footprint ±0.62 m, sweep width 1.60 m" in text
    assert "lanes 1.05 m apart" in text
    assert "One pass, reference target 0.3 m down" in text


def test_a_pairs_lanes_are_tagged_a_and_b(
    dives: pd.DataFrame, backdrop: Backdrop, said: Said
) -> None:
    pair = dives.head(4).assign(diver=[1, 2, 1, 2], order=[1, 1, 2, 2], dive="D01", via="")
    assert {"1.1a", "1.1b", "1.2a", "1.2b"} <= set(said(draw_plan(backdrop, pair)).splitlines())


def test_no_key_covers_a_curve(figures: dict[str, Figure]) -> None:
    for name in ("search", "plan"):
        keyed = [a for a in figures[name].axes if a.get_legend() and len(a.lines) > 2]
        assert keyed
        for axes in keyed:
            assert not axes.get_legend().get_window_extent().overlaps(axes.get_window_extent())


def test_dives_are_told_apart_without_colour() -> None:
    """Dashes, weight and shade (luminance by ITU-R BT.601) of any two differ in one at least."""
    looks = []
    for number in range(12):
        line = dive_line(number)
        red, green, blue = (int(line["color"][k : k + 2], 16) for k in (1, 3, 5))
        shade = round((0.299 * red + 0.587 * green + 0.114 * blue) / 96)
        looks.append((str(line["ls"]), round(2 * line["lw"]), shade))
    assert len(set(looks)) == 12


def test_search_sheet_lists_every_class_and_every_choice(
    figures: dict[str, Figure], choices: pd.DataFrame, said: Said
) -> None:
    lines = said(figures["search"]).splitlines()
    assert lines.count("iron nail") >= 3  # two keys and the table
    assert "–" in lines  # no spacing keeps the promise for the nail
    for row in choices.itertuples():
        assert f"{row.spacing_m:.2f}" in lines
        assert f"{row.dives}" in lines
    assert {"perfect strips", "inverse cube", "at random"} <= {w.strip() for w in lines}


def test_the_plan_stands_in_heavy_type_among_the_choices(
    figures: dict[str, Figure], words: Callable
) -> None:
    heavy = [t.get_text() for t in words(figures["search"]) if t.get_weight() == "bold"]
    assert "1.00" in heavy  # the choice nearest to lanes 1.05 m apart


def test_trace_scale_is_straight_near_zero_and_holds_the_strongest() -> None:
    scale = TraceScale(knee=10.0, strongest=1000.0, tallest=1.6)
    assert scale(1000.0) == pytest.approx(1.6)
    assert scale(-3.0) == pytest.approx(-scale(3.0))
    assert scale(1.0) / scale(0.5) == pytest.approx(2.0, rel=0.01)
    assert scale(1000.0) / scale(500.0) < 1.2


def test_conditioning_crosses_stand_at_the_readings_left_out(
    figures: dict[str, Figure], readings: pd.DataFrame, said: Said
) -> None:
    left, right = figures["conditioning"].axes
    crosses = np.concatenate([line.get_xdata() for line in left.lines if line.get_marker() == "x"])
    out = readings[~readings["used"]].sort_values(["track", "distance_m"])
    assert list(crosses) == list(out["distance_m"])
    # After conditioning the same readings are gaps in the traces.
    after = np.concatenate([np.asarray(line.get_ydata(), float) for line in right.lines])
    assert np.isnan(after).sum() == len(out) > 0
    assert "distance along the lane from its start peg (m)" in said(figures["conditioning"])


def test_many_tracks_are_thinned_and_said_to_be(readings: pd.DataFrame, said: Said) -> None:
    many = pd.concat([readings.head(20).assign(track=i) for i in range(90)])
    assert "(60 of 90 tracks)" in said(draw_conditioning(many, unit="mV"))


def test_plan_tags_every_lane_with_dive_and_order(
    figures: dict[str, Figure], dives: pd.DataFrame, lanes: pd.DataFrame, said: Said
) -> None:
    lines = said(figures["plan"]).splitlines()
    assert set(lanes["lane"]) <= set(lines)
    for row in dives.itertuples():
        assert f"{dive_number(row.dive)}.{row.order}" in lines
    assert "dive D05" in lines
    assert "Detection against lane spacing, reference target" in lines


def test_plan_arrows_point_the_way_each_lane_is_swum(backdrop: object, dives: pd.DataFrame) -> None:
    figure = draw_plan(backdrop, dives)  # type: ignore[arg-type]
    arrows = [t for t in figure.axes[0].texts if getattr(t, "arrow_patch", None) is not None]
    ways = [np.sign(t.xy[0] - t.get_position()[0]) for t in arrows]  # type: ignore[attr-defined]
    assert ways == [1.0 if way == "out" else -1.0 for way in dives["direction"]]


@pytest.mark.parametrize(("dive", "number"), [("D01", "1"), ("D12", "12"), ("7", "7"), ("X", "X")])
def test_dive_numbers_without_letters(dive: str, number: str) -> None:
    assert dive_number(dive) == number
