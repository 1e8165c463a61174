"""Files for other programs: CF-1.11 attributes, a round trip, layers where the map says."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from detect.present.exchange import as_cf, gis_layers
from detect.survey.frame import Frame


@pytest.fixture(scope="module")
def stored(fields: xr.Dataset, frame: Frame, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("cf") / "maps.nc"
    stored = as_cf(fields, frame, "Heron Skerry: maps", "made in a test")
    stored.to_netcdf(path, engine="h5netcdf")
    return path


@pytest.fixture(scope="module")
def again(stored: Path) -> xr.Dataset:
    with xr.open_dataset(stored, engine="h5netcdf", decode_coords="all") as opened:
        return opened.load()


def test_a_file_comes_back_as_it_went(again: xr.Dataset, fields: xr.Dataset) -> None:
    for name in fields.data_vars:
        assert again[name].dims == ("n", "e")
        np.testing.assert_array_equal(again[name].to_numpy(), fields[name].to_numpy())
    np.testing.assert_array_equal(again["e"], fields["e"])
    assert np.isnan(again["signal"]).any()


def test_global_attributes(again: xr.Dataset) -> None:
    # CF-1.11 section 2.6: Conventions, and the description of where the data come from.
    assert again.attrs["Conventions"] == "CF-1.11"
    assert again.attrs["title"] == "Heron Skerry: maps"
    assert again.attrs["history"] == "made in a test"
    assert "312.00 degrees true" in again.attrs["comment"]


def test_coordinates_have_axis_units_and_no_fill_value(stored: Path) -> None:
    # CF-1.11 section 2.5.1: no missing data in coordinate variables; section 4: axis, units.
    with xr.open_dataset(stored, engine="h5netcdf", decode_cf=False) as raw:
        for name, axis in (("e", "X"), ("n", "Y")):
            assert raw[name].attrs["axis"] == axis
            assert raw[name].attrs["units"] == "m"
            assert raw[name].attrs["long_name"]
            assert "_FillValue" not in raw[name].attrs
            assert np.all(np.diff(raw[name]) > 0)


def test_every_variable_has_units_a_name_and_a_fill_value_of_its_type(stored: Path) -> None:
    with xr.open_dataset(stored, engine="h5netcdf", decode_cf=False) as raw:
        for name in set(raw.data_vars) - {"crs", "surveyed", "lat", "lon", "map_e", "map_n"}:
            attrs = raw[name].attrs
            assert attrs["units"], name
            assert attrs["long_name"], name
            assert raw[name].dtype == np.asarray(attrs["_FillValue"]).dtype, name


def test_estimates_name_what_qualifies_them(again: xr.Dataset) -> None:
    # CF-1.11 section 3.4, ancillary data.
    assert again["signal"].attrs["ancillary_variables"] == "signal_sd surveyed"
    assert again["seabed"].attrs["ancillary_variables"] == "seabed_sd"
    assert "ancillary_variables" not in again["contact_probability"].attrs


def test_surveyed_is_a_flag(stored: Path) -> None:
    # CF-1.11 section 3.5, flags: values of the variable's own type, one word a value.
    with xr.open_dataset(stored, engine="h5netcdf", decode_cf=False) as raw:
        flag = raw["surveyed"]
        assert flag.dtype == np.int8
        assert np.asarray(flag.attrs["flag_values"]).dtype == np.int8
        assert len(flag.attrs["flag_values"]) == len(flag.attrs["flag_meanings"].split()) == 2
        assert set(np.unique(flag)) <= set(flag.attrs["flag_values"])


def test_grid_mapping_names_the_map_coordinates_not_the_turned_axes(stored: Path) -> None:
    # CF-1.11 section 5.6, the long form "mapping: coordinate coordinate".
    with xr.open_dataset(stored, engine="h5netcdf", decode_cf=False) as raw:
        assert raw["signal"].attrs["grid_mapping"] == "crs: map_e map_n"
        assert raw["crs"].attrs["grid_mapping_name"] == "transverse_mercator"
        assert raw["map_e"].attrs["standard_name"] == "projection_x_coordinate"
        assert raw["map_n"].attrs["standard_name"] == "projection_y_coordinate"


def test_map_coordinates_are_those_of_the_frame_and_of_proj(
    again: xr.Dataset, frame: Frame
) -> None:
    from pyproj import Transformer

    east, north = frame.to_map(float(again["e"][5]), float(again["n"][7]))
    assert float(again["map_e"][7, 5]) == pytest.approx(float(east))
    assert float(again["map_n"][7, 5]) == pytest.approx(float(north))
    back = Transformer.from_crs("EPSG:4326", "EPSG:32633", always_xy=True)
    place = back.transform(float(again["lon"][7, 5]), float(again["lat"][7, 5]))
    assert place == pytest.approx((float(east), float(north)), abs=1e-3)


def test_a_unit_the_unit_library_does_not_know_is_kept_beside(fields: xr.Dataset) -> None:
    odd = fields.copy()
    odd["signal"] = odd["signal"].assign_attrs(units="meter units")
    cf = as_cf(odd, Frame(), "t")
    assert cf["signal"].attrs["units"] == "1"
    assert cf["signal"].attrs["unit_as_logged"] == "meter units"
    assert "crs" not in cf  # without a map there is no mapping
    assert "grid_mapping" not in cf["signal"].attrs


def test_the_dataset_given_is_left_alone(fields: xr.Dataset, frame: Frame) -> None:
    before = fields.copy(deep=True)
    as_cf(fields, frame, "t")
    xr.testing.assert_identical(fields, before)
    assert fields["surveyed"].dtype == bool


def test_gis_layers_lie_on_the_map(
    frame: Frame,
    lanes: pd.DataFrame,
    squares: pd.DataFrame,
    anomalies: pd.DataFrame,
    gaps: pd.DataFrame,
    tmp_path: Path,
) -> None:
    geopandas = pytest.importorskip("geopandas")
    layers = gis_layers(frame, lanes=lanes, squares=squares, anomalies=anomalies, gaps=gaps)
    assert set(layers) == {"lanes", "squares", "anomalies", "gaps"}
    for name, layer in layers.items():
        assert layer.crs.to_epsg() == 32633
        layer.to_file(tmp_path / "survey.gpkg", layer=name, driver="GPKG")
    point = layers["anomalies"].geometry.iloc[0]
    east, north = frame.to_map(18.0, 11.0)
    assert (point.x, point.y) == pytest.approx((float(east), float(north)))
    # A frame without scale keeps lengths and areas.
    assert layers["squares"].area.to_numpy() == pytest.approx(4.0)
    assert layers["lanes"].length.to_numpy() == pytest.approx(lanes["length_m"].to_numpy())
    read = geopandas.read_file(tmp_path / "survey.gpkg", layer="squares")
    assert list(read["square"]) == list(squares["square"])
    assert read["rank"].isna().sum() == (squares["status"] != "open").sum()


def test_no_map_no_layers(frame: Frame, lanes: pd.DataFrame) -> None:
    assert gis_layers(replace(frame, map_crs=None, map_origin=None), lanes=lanes) == {}
    assert gis_layers(frame, lanes=lanes.head(0)) == {}
