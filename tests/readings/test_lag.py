"""The lag: what is planted comes back, and what lanes cannot tell is said to be in doubt."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from planted import DETECTOR, NOISE, signal_over

from detect.readings.conditioning import along_in_doubt_m, condition
from detect.readings.lag import USUAL_M, USUAL_SD_M, estimate_lag
from detect.readings.steps import prepare


def swum(targets, lag=0.0, apart=0.5, cross=(), wander=0.0, seed=0):
    """Lanes north, out and back, over targets e, n, depth, strength, and lanes across them."""
    rng = np.random.default_rng(seed)
    along = np.arange(0.0, 12.01, 0.25)
    ways = [((e, 0.0), (0.0, 1.0)) for e in np.arange(0.25, 12.0, apart)]
    ways += [((0.0, n), (1.0, 0.0)) for n in cross]
    parts = []
    for number, (start, way) in enumerate(ways):
        way = np.array(way)
        sign = 1.0 if number % 2 == 0 else -1.0
        logged = np.array(start) + along[:, None] * way
        aside = wander * rng.standard_normal() + 0.3 * wander * rng.standard_normal(len(along))
        coil = logged - sign * lag * way + aside[:, None] * way[::-1]
        parts.append(
            pd.DataFrame(
                {
                    "e": logged[:, 0],
                    "n": logged[:, 1],
                    "signal": rng.normal(0, NOISE, len(along)) + signal_over(targets, *coil.T),
                    "lane": f"L{number}",
                    "pass": "1",
                    "direction": "out" if sign > 0 else "back",
                    "distance_m": along,
                    "track": number,
                    "dive": "D1",
                    "time_s": np.nan,
                    "heading_deg": np.rad2deg(np.arctan2(*(sign * way))) % 360.0,
                    "at_full_scale": False,
                }
            )
        )
    return prepare(pd.concat(parts, ignore_index=True))


def scattered(count=14, seed=4):
    rng = np.random.default_rng(seed)
    return [(*rng.uniform(0.5, 11.5, 2), rng.uniform(0.1, 0.5), 3.0) for _ in range(count)]


@pytest.mark.parametrize("lag", [0.0, 0.25])
def test_the_lag_is_found_from_lanes_out_and_back(lag):
    found = estimate_lag(swum(scattered(), lag), DETECTOR, NOISE)
    assert found.lag_m == pytest.approx(lag, abs=0.05)
    assert found.told == (lag > 0)


def test_a_row_askew_to_the_lanes_is_not_sold_as_a_lag():
    # Peaks of neighbouring lanes lie 1.2 m apart along them, as if the needle were late, and no
    # lane crosses another. One fit alone, begun where sources cost least, says 0.6 ± 0.05 m.
    row = [(2.0 + 1.0 * k, 1.5 + 1.2 * k, 0.35, 8.0) for k in range(8)]
    found = [
        estimate_lag(swum(row, apart=1.0, wander=0.12, seed=seed), DETECTOR, NOISE)
        for seed in range(3)
    ]
    assert max(abs(lag.lag_m) / lag.sd_m for lag in found) < 2.0
    assert "cross lane" in found[0].why
    # three lanes across them tell
    crossed = swum(row, apart=1.0, cross=(3.0, 6.0, 9.0), wander=0.12)
    told = estimate_lag(crossed, DETECTOR, NOISE)
    assert told.sd_m < 0.05
    assert abs(told.lag_m) < 2.0 * told.sd_m


def test_what_stays_in_doubt_is_said_of_places_along_the_lanes():
    _, steps, _ = condition(swum(scattered(), 0.25), ["levels", "lag"], DETECTOR)
    record = steps[-1]
    assert record.kept
    assert along_in_doubt_m(steps) == record.parameters["sd_m"]
    left_off = replace(record, kept=False)
    lag, sd = record.parameters["lag_m"], record.parameters["sd_m"]
    assert along_in_doubt_m([left_off]) == pytest.approx(np.hypot(lag, sd))
    _, steps, _ = condition(swum([]), ["lag"], DETECTOR)  # nothing tells of it
    assert along_in_doubt_m(steps) == pytest.approx(np.hypot(USUAL_M, USUAL_SD_M))
    assert along_in_doubt_m([]) == 0.0


def test_lanes_all_one_way_tell_no_lag():
    found = estimate_lag(swum(scattered()).assign(heading_deg=0.0), DETECTOR, NOISE)
    assert not found.told
    assert "opposite" in found.why


def test_quiet_lanes_tell_no_lag():
    assert "noise" in estimate_lag(swum([]), DETECTOR, NOISE).why
