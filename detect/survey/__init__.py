"""What came from the site: settings, tables, frame, and the errors that speak to a diver.

Names are fetched from their modules when first asked for, so that ``detect --help``, which needs
the errors only, does not wait for pandas and shapely.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from detect.survey.errors import Problem, SurveyError, lines_of
    from detect.survey.folder import Survey, load_survey
    from detect.survey.frame import Frame
    from detect.survey.grid import (
        Grid,
        column_letters,
        default_origin,
        is_square_name,
        site_grid,
        square_at,
        square_names,
    )
    from detect.survey.outlines import KeepOutArea
    from detect.survey.settings import Detector, Dives, Settings
    from detect.survey.settings_file import read_settings
    from detect.survey.template import new_survey_files

__all__ = [
    "Detector",
    "Dives",
    "Frame",
    "Grid",
    "KeepOutArea",
    "Problem",
    "Settings",
    "Survey",
    "SurveyError",
    "column_letters",
    "default_origin",
    "is_square_name",
    "lines_of",
    "load_survey",
    "new_survey_files",
    "read_settings",
    "site_grid",
    "square_at",
    "square_names",
]

_HOMES = {
    "errors": ("Problem", "SurveyError", "lines_of"),
    "folder": ("Survey", "load_survey"),
    "frame": ("Frame",),
    "grid": (
        "Grid",
        "column_letters",
        "default_origin",
        "is_square_name",
        "site_grid",
        "square_at",
        "square_names",
    ),
    "outlines": ("KeepOutArea",),
    "settings": ("Detector", "Dives", "Settings"),
    "settings_file": ("read_settings",),
    "template": ("new_survey_files",),
}


def __getattr__(name: str) -> Any:
    """Fetch a public name from the module that defines it."""
    for module, names in _HOMES.items():
        if name in names:
            return getattr(importlib.import_module(f"detect.survey.{module}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
