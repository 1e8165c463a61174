"""Numbers in tables: no needless decimals, units in the head, text to the left."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from detect.present.numbers import as_table, number, trimmed, with_plain_numbers


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (12.3456, 1, "12.3"),
        (12.3456, None, "12.3"),
        (1234.56, None, "1235"),
        (0.012345, None, "0.0123"),
        (3.1e-10, None, "3.1e-10"),
        (7.0, None, "7"),
        (-0.001, 1, "0.0"),
        (-2.5, 1, "−2.5"),
        (np.float64(2.0), 2, "2.00"),
        (np.int64(5), 0, "5"),
        (float("nan"), 1, "–"),
        (None, 1, "–"),
        (pd.NA, 0, "–"),
        (True, None, "yes"),
        ("as typed", 2, "as typed"),
        ("", None, "–"),
    ],
)
def test_a_number_as_it_is_printed(value: Any, decimals: int | None, text: str) -> None:
    assert number(value, decimals) == text


@pytest.mark.parametrize(
    ("text", "short"), [("0.300", "0.3"), ("4.00", "4"), ("100", "100"), ("v1.20", "v1.20")]
)
def test_zeros_that_only_fill_up_are_left_out_of_facts(text: str, short: str) -> None:
    assert trimmed(text) == short


def test_a_table_has_units_in_its_head_and_drops_what_is_empty() -> None:
    frame = pd.DataFrame(
        {
            "square": ["A1", "B2"],
            "signal_mean": [12.34, np.nan],
            "overburden_m": [0.5, 1.25],
            "pod": [np.nan, np.nan],
            "trench_m": [1.0, 2.5],
        }
    )
    table = as_table(frame, ("square", "signal_mean", "overburden_m", "pod", "trench_m"), "mV")
    assert table.headings == ("square", "mean signal", "sediment", "trench")
    assert table.units == ("", "mV", "m", "m")
    assert table.words == (True, False, False, False)
    assert table.rows == (("A1", "12.3", "0.50", "1"), ("B2", "–", "1.25", "2.50"))


def test_whole_numbers_with_gaps_become_plain() -> None:
    frame = pd.DataFrame({"rank": pd.array([1, None], dtype="Int64"), "square": ["A1", "B1"]})
    plain = with_plain_numbers(frame)
    assert plain["rank"].dtype == float
    assert np.isnan(plain["rank"].iloc[1])
    assert list(plain["square"]) == ["A1", "B1"]
