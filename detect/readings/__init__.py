"""From signal to metal: conditioning, noise, anomalies, inversion."""

from detect.readings.anomalies import find_anomalies
from detect.readings.compressed import signal_of
from detect.readings.conditioning import STEPS, along_in_doubt_m, condition
from detect.readings.noise import Noise, estimate_noise
from detect.readings.quality import by_whom, lane_spacing, track_quality
from detect.readings.signal import SignalModel, signal_model
from detect.readings.site_inversion import SiteInversion, invert_site
from detect.readings.steps import StepRecord

__all__ = [
    "STEPS",
    "Noise",
    "SignalModel",
    "SiteInversion",
    "StepRecord",
    "along_in_doubt_m",
    "by_whom",
    "condition",
    "estimate_noise",
    "find_anomalies",
    "invert_site",
    "lane_spacing",
    "signal_model",
    "signal_of",
    "track_quality",
]
