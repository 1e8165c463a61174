"""Results for other people's programs: NetCDF with CF-1.11 attributes, layers for a GIS.

Source of the attribute rules: NetCDF Climate and Forecast (CF) Metadata Conventions, version 1.11
(sections 2.6 description, 3.1 units, 3.4 ancillary data, 3.5 flags, 4 coordinate types, 5.6 grid
mappings).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely
import xarray as xr

from detect import __version__
from detect.present.numbers import with_plain_numbers
from detect.survey.frame import Frame

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

CONVENTIONS = "CF-1.11"

# The netCDF library's own default for doubles: no reading and no depth is ever near it.
_FILL = 9.969209968386869e36
# CF wants units that the UDUNITS library knows; these are the ones a detector may be read in.
_UDUNITS = frozenset(
    {"1", "m", "m2", "s", "V", "mV", "uV", "µV", "A", "mA", "uA", "T", "nT", "uT", "Hz", "kHz"}
    | {"%", "count", "counts", "degree", "dB"}
)
# What the coil was told about the ground says nothing of where a rod was pushed.
_OF_THE_COIL = ("signal", "loudness", "pod")


def as_cf(dataset: xr.Dataset, frame: Frame, title: str, history: str = "") -> xr.Dataset:
    """Return the maps with the attributes and encoding that CF-1.11 asks for.

    Parameters
    ----------
    dataset : Dataset, dims (n, e)
        ``x`` and ``x_sd`` are linked as ancillary; booleans become flags.
    frame : Frame
        Says how the local grid lies; with ``map_crs``, map coordinates of every node are added.
    title : str
    history : str
        What made the file; the program's version if not given.

    Returns
    -------
    Dataset
        Ready for ``to_netcdf``.

    Notes
    -----
    The local axes are turned against the map, so they are no projection coordinates: the map
    position of each node goes into two-dimensional coordinates ``map_e`` and ``map_n`` (with
    ``lat`` and ``lon`` beside them), and the grid mapping names just these. A unit that CF's
    unit library does not know is kept as ``unit_as_logged`` beside ``units = "1"``.
    """
    out = dataset.copy()
    for name in ("e", "n"):
        out[name].attrs = {
            "units": "m",
            "long_name": f"grid {'east' if name == 'e' else 'north'} in the site's own grid",
            "axis": "X" if name == "e" else "Y",
        }
        out[name].encoding = {"_FillValue": None, "dtype": "float64"}
    mapped = frame.has_map and frame.map_crs is not None
    names = [str(name) for name in out.data_vars]
    for name in names:
        out[name] = _described(out[name], name, names)
        if mapped:
            out[name].attrs["grid_mapping"] = "crs: map_e map_n"
    if mapped:
        out = _with_map(out, frame)
    out.attrs = {
        **dataset.attrs,
        "Conventions": CONVENTIONS,
        "title": title,
        "history": history or f"made by detect {__version__}",
        "source": "underwater metal detector readings, probes and soundings, kriged",
        "comment": (
            f"e and n are metres in the site's own grid; its north axis lies "
            f"{frame.grid_north_deg % 360:.2f} degrees true, magnetic declination "
            f"{frame.magnetic_declination_deg:.2f} degrees (east positive)"
        ),
    }
    return out


def gis_layers(
    frame: Frame,
    *,
    lanes: pd.DataFrame | None = None,
    squares: pd.DataFrame | None = None,
    anomalies: pd.DataFrame | None = None,
    gaps: pd.DataFrame | None = None,
) -> dict[str, GeoDataFrame]:
    """Return the results as layers in map coordinates, for a GeoPackage.

    Parameters
    ----------
    frame : Frame
    lanes, squares, anomalies, gaps : DataFrame, optional
        With the contract's columns; lines, polygons, points, polygons.

    Returns
    -------
    dict of str to GeoDataFrame
        Empty where the frame has no map or geopandas (extra ``gis``) is not installed; a table
        without rows gives no layer.
    """
    if not frame.has_map or frame.map_crs is None:
        return {}
    try:
        import geopandas
    except ImportError:
        return {}
    makers: dict[str, tuple[pd.DataFrame | None, Callable[[pd.DataFrame], Any]]] = {
        "lanes": (lanes, _lane_lines),
        "squares": (squares, _square_boxes),
        "anomalies": (anomalies, lambda table: shapely.points(table["e"], table["n"])),
        "gaps": (gaps, lambda table: shapely.from_wkt(table["outline_wkt"].to_numpy(object))),
    }
    layers = {}
    for name, (table, shapes) in makers.items():
        if table is None or table.empty:
            continue
        placed = shapely.transform(np.asarray(shapes(table)), lambda xy: _on_map(xy, frame))
        plain = with_plain_numbers(table).drop(columns="outline_wkt", errors="ignore")
        layers[name] = geopandas.GeoDataFrame(plain, geometry=placed, crs=frame.map_crs)
    return layers


def _described(field: xr.DataArray, name: str, names: list[str]) -> xr.DataArray:
    """Return a variable with units, name, links to what qualifies it, and its encoding."""
    out = field.copy()
    attrs: dict[str, Any] = {"long_name": name.replace("_", " "), **field.attrs}
    if field.dtype == bool:
        out = field.astype(np.int8)
        attrs.pop("units", None)
        attrs["flag_values"] = np.array([0, 1], dtype=np.int8)
        attrs["flag_meanings"] = (
            "unsurveyed surveyed" if name == "surveyed" else f"not_{name} {name}"
        )
        out.encoding = {"_FillValue": None, "dtype": "int8", "zlib": True}
    else:
        unit = str(attrs.get("units", "1")).strip() or "1"
        if unit not in _UDUNITS:
            attrs["unit_as_logged"] = unit
            unit = "1"
        attrs["units"] = unit
        out.encoding = {"zlib": True}
        if np.issubdtype(field.dtype, np.floating):
            out.encoding |= {"_FillValue": _FILL, "dtype": "float64"}
    helpers = [f"{name}_sd"] + (["surveyed"] if name.startswith(_OF_THE_COIL) else [])
    linked = [helper for helper in helpers if helper in names and helper != name]
    if linked:
        attrs["ancillary_variables"] = " ".join(linked)
    out.attrs = attrs
    return out


def _with_map(dataset: xr.Dataset, frame: Frame) -> xr.Dataset:
    """Add the grid mapping, and map position, latitude and longitude of every node."""
    from pyproj import CRS, Transformer

    crs = CRS.from_user_input(frame.map_crs)
    e, n = np.meshgrid(dataset["e"].to_numpy(), dataset["n"].to_numpy())
    map_e, map_n = frame.to_map(e, n)
    to_degrees = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    longitude, latitude = to_degrees.transform(map_e, map_n)
    places = {
        "map_e": (map_e, "m", "projection_x_coordinate", "map easting"),
        "map_n": (map_n, "m", "projection_y_coordinate", "map northing"),
        "lat": (latitude, "degrees_north", "latitude", "latitude"),
        "lon": (longitude, "degrees_east", "longitude", "longitude"),
    }
    out = dataset
    for name, (values, units, standard_name, long_name) in places.items():
        attrs = {"units": units, "standard_name": standard_name, "long_name": long_name}
        out = out.assign_coords({name: (("n", "e"), values, attrs)})
        out[name].encoding = {"_FillValue": None, "zlib": True}
    return out.assign(crs=xr.DataArray(np.int32(0), attrs=crs.to_cf()))


def _on_map(local: np.ndarray, frame: Frame) -> np.ndarray:
    return np.column_stack(frame.to_map(local[:, 0], local[:, 1]))


def _lane_lines(table: pd.DataFrame) -> Any:
    ends = table[["start_e", "start_n", "end_e", "end_n"]].to_numpy(float)
    return shapely.linestrings(ends.reshape(-1, 2, 2))


def _square_boxes(table: pd.DataFrame) -> Any:
    west, south, size = (table[name].to_numpy(float) for name in ("e_min", "n_min", "size_m"))
    return shapely.box(west, south, west + size, south + size)
