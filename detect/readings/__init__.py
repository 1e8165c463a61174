"""From signal to metal: conditioning, noise, anomalies, inversion."""

from detect.readings.anomalies import find_anomalies
from detect.readings.compressed import signal_of
from detect.readings.conditioning import STEPS, StepRecord, condition
from detect.readings.noise import Noise, estimate_noise
from detect.readings.signal import SignalModel, signal_model

__all__ = [
    "STEPS",
    "Noise",
    "SignalModel",
    "StepRecord",
    "condition",
    "estimate_noise",
    "find_anomalies",
    "signal_model",
    "signal_of",
]
