"""The rehearsal's picture and its sheets: everything legible, black on white, nothing cut."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from detect.present.charts import TrialCurve, draw_trial
from detect.present.trial_sheets import trial_sheets

FACTS = {
    "air range, iron bolt": "0.745 m (0.727 to 0.764); 25 of 56 heard",
    "air range, iron nail": "between 0.40 and 0.50 m; 25 of 56 heard",
    "threshold over noise": "at least 3.3",
    "fit to what was heard": "p = 0.41",
}


def curve(name: str, reach: float, with_signal: bool) -> TrialCurve:
    distance = np.repeat(reach * np.array([0.6, 0.9, 1.0, 1.1, 1.4]), 6)
    along = np.linspace(0, 1.6 * reach, 100)
    loud = 5.0 * (reach / np.maximum(along, 0.05)) ** 6
    rng = np.random.default_rng(2)
    signal = 5.0 * (reach / distance) ** 6 + rng.normal(0, 1, len(distance))
    return TrialCurve(
        name, distance, (distance <= reach).astype(float),
        signal if with_signal else np.full(len(distance), np.nan),
        along, 1 / (1 + np.exp((along - reach) / 0.02)),
        loud if with_signal else np.full(100, np.nan), reach, 0.97 * reach, np.nan,
    )  # fmt: skip


@pytest.fixture(scope="module", params=[True, False], ids=["signals", "heard only"])
def picture(request: pytest.FixtureRequest) -> Figure:
    curves = [curve("iron bolt", 0.75, request.param), curve("iron nail", 0.45, request.param)]
    return draw_trial(curves, FACTS, unit="mV", threshold=5.0 if request.param else None)


def test_every_fact_is_written_on_the_page_and_over_no_other(
    picture: Figure, words: Callable
) -> None:
    found = [t for t in words(picture) if any(t.get_text().startswith(f) for f in FACTS)]
    assert len(found) == len(FACTS)
    boxes = [t.get_window_extent() for t in found]
    for k, box in enumerate(boxes):
        assert box.x0 >= 0
        assert box.x1 <= picture.bbox.x1
        assert box.y0 >= 0
        assert not any(box.overlaps(other) for other in boxes[k + 1 :])


def test_tries_stand_with_their_share_and_the_curve_is_named(picture: Figure) -> None:
    left = picture.axes[0]
    assert left.get_xlabel() == "distance on the coil's axis (m)"
    assert {"iron bolt", "iron nail"} <= {t.get_text() for t in left.get_legend().get_texts()}
    shares = np.concatenate([c.lines[0].get_ydata() for c in left.containers])
    assert set(np.round(shares, 6)) <= {0.0, 1.0}


@pytest.fixture(scope="module")
def sheets() -> list[Figure]:
    bench = pd.DataFrame(
        {
            "sheet": "reference",
            "order": range(1, 73),
            "target": ["none" if k % 9 == 0 else "reference" for k in range(72)],
            "distance_to_coil_m": np.linspace(0.3, 0.9, 72),
        }
    )
    lane = pd.DataFrame(
        {
            "place": range(1, 15),
            "along_m": 2.0 * np.arange(1, 15),
            "offset_m": np.linspace(-0.9, 0.9, 14).round(2),
            "target": ["none" if k in (4, 9) else "reference" for k in range(14)],
        }
    )
    return trial_sheets(bench, lane, site_name="Heron Skerry: brig (invented)", coil_height_m=0.1)


def test_sheets_hold_every_try_and_place_and_cut_nothing(
    sheets: list[Figure], words: Callable
) -> None:
    bench, lane = sheets
    said = [t.get_text() for t in words(bench)]
    assert {str(k) for k in range(1, 73)} <= set(said)
    assert said.count("none") == 8
    for page, heading in ((bench, "Y/N"), (lane, "1: Y/N")):
        assert heading in [t.get_text() for t in words(page)]
        assert any("empty box was not tried" in t.get_text() for t in words(page))
    assert "0.90 left" in [t.get_text() for t in words(lane)]
    for page in sheets:
        for text in words(page):
            box = text.get_window_extent()
            assert np.all(box.min >= -1), text.get_text()
            assert box.x1 <= page.bbox.x1 + 1, text.get_text()


def test_sheets_are_black_and_white(sheets: list[Figure]) -> None:
    for page in sheets:
        page.canvas.draw()
        rgb = np.asarray(page.canvas.buffer_rgba())[..., :3]  # type: ignore[attr-defined]
        assert np.ptp(rgb, axis=-1).max() == 0


def test_where_caution_is_due_it_stands(sheets: list[Figure], words: Callable) -> None:
    assert all(
        any("the dive supervisor decides" in t.get_text() for t in words(page)) for page in sheets
    )
