"""Estimates and their uncertainty: variogram, kriging, simulation, scores."""

from detect.geostat.choice import choose_variogram
from detect.geostat.crosscheck import CrossCheck, against_pykrige
from detect.geostat.crossvalidation import leave_groups_out
from detect.geostat.errors import GeostatError, GeostatWarning
from detect.geostat.experimental import experimental_variogram
from detect.geostat.fit import VariogramFit, fit_variogram
from detect.geostat.kriging import Kriging
from detect.geostat.reml import fit_reml
from detect.geostat.scores import Scores, leave_one_out_scores
from detect.geostat.variogram import Variogram

__all__ = [
    "CrossCheck",
    "GeostatError",
    "GeostatWarning",
    "Kriging",
    "Scores",
    "Variogram",
    "VariogramFit",
    "against_pykrige",
    "choose_variogram",
    "experimental_variogram",
    "fit_reml",
    "fit_variogram",
    "leave_groups_out",
    "leave_one_out_scores",
]
