"""A meter that speaks only at metal: its quiet readings all stand at one value.

Such readings show no noise, so none can be taken from them; what they say is "less than the
faintest sound", and that sound is the threshold.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from detect.readings.noise import Noise, estimate_noise
from detect.survey.settings import Detector

#: a meter is silent where it is not at metal if more than this share of the readings stands at the
#: lowest value; readings below that, slips of the pen, are at most so many
SILENT_SHARE, SLIPS_SHARE = 0.5, 0.01
#: one sound in so many, fainter than the rest, may be a slip of the pen; fewer sounds than that are
#: all believed
SLIP_IN, ALL_BELIEVED = 50, 20
#: as a detector has it that does not say otherwise
THRESHOLD_SNR = float(Detector.model_fields["threshold_snr"].default)


@dataclass(frozen=True)
class Silence:
    """What a meter that speaks only at metal shows where it does not.

    Attributes
    ----------
    value : float
        What silent readings stand at, signal units.
    threshold : float
        The faintest sound above that, signal units; NaN where nothing was heard.
    """

    value: float
    threshold: float


def find_silence(readings: pd.DataFrame) -> Silence | None:
    r"""Tell a meter that speaks only at metal, and its threshold.

    More than half of the readings stand at one value, and but for slips of the pen none below it.
    A meter speaks where the signal is ``threshold_snr`` times the noise, so with T the faintest
    sound above that value (one in fifty set aside, where there are twenty)

    .. math:: \sigma = T / \mathrm{threshold\_snr}

    Parameters
    ----------
    readings : DataFrame
        From :func:`detect.readings.steps.prepare`.

    Returns
    -------
    Silence or None
        None where the meter sounds all the way.

    Notes
    -----
    Definition of the threshold as in :mod:`detect.lanes.footprint`; the rest has no source. Limits:
    few sounds put the threshold too high, and with it the noise, so that less is claimed. A meter
    that does sound all the way, but shows nothing below 0, also has many readings at 0; it is told
    by its noise, which is then larger than the faintest reading above 0.
    """
    signal = readings["signal"].to_numpy(float)
    if signal.size == 0:
        return None
    values, counts = np.unique(signal, return_counts=True)
    at = int(np.argmax(counts))
    if counts[at] <= SILENT_SHARE * signal.size or counts[:at].sum() > SLIPS_SHARE * signal.size:
        return None
    sounds = signal[signal > values[at]] - values[at]
    if sounds.size == 0:
        return Silence(float(values[at]), float("nan"))
    slips = -(-sounds.size // SLIP_IN) if sounds.size >= ALL_BELIEVED else 0
    threshold = float(np.sort(sounds)[slips])
    if estimate_noise(readings).sd > threshold:
        return None
    return Silence(float(values[at]), threshold)


def hear_silence(
    readings: pd.DataFrame, detector: Detector | None
) -> tuple[pd.DataFrame, Noise | None]:
    """Bring the silence of a meter that speaks only at metal to 0, and mark its silent readings.

    Parameters
    ----------
    readings : DataFrame
        From :func:`detect.readings.steps.prepare`.
    detector : Detector or None
        For ``threshold_snr``; its default where there is none.

    Returns
    -------
    readings : DataFrame
        As they were where the meter sounds all the way.
    noise : Noise or None
        None where the meter sounds all the way; NaN where nothing was heard.
    """
    silence = find_silence(readings)
    if silence is None:
        return readings, None
    above = readings["signal"] - silence.value
    snr = THRESHOLD_SNR if detector is None else detector.threshold_snr
    sd = silence.threshold / snr
    return readings.assign(signal=above, silent=above <= 0.0), Noise(sd, np.nan, np.nan, 0, 0)


def silence_words(conditioned: pd.DataFrame, noise_sd: float) -> str:
    """Say what the readings of a meter that speaks only at metal are taken for.

    Parameters
    ----------
    conditioned : DataFrame
        From :func:`detect.readings.conditioning.condition`.
    noise_sd : float
        Of one reading, signal units.
    """
    silent = conditioned["silent"].to_numpy(bool)
    value = float(conditioned["raw"].to_numpy(float)[silent].max())
    return (
        f"the meter spoke only at metal: {silent.sum()} of {len(silent)} readings stand at its "
        f"silence ({value:g}), which says no more than that there was less than the faintest "
        f"sound; the noise is taken as that over threshold_snr ({noise_sd:.3g}). What made no "
        "sound is not told from none"
    )
