"""What the invented sites leave to be known of lag and levels, whoever works them out.

For the lag the Cramér-Rao bound (Kay 1993, ch. 3; from memory): standard deviation of the lag in
the inverse of the Fisher information of all targets' places, depths and strengths (with wide
priors), the wander of every two metres of lane, a tape's error for every lane, and the lag, at the
true targets. For the levels what a mean over a lane's readings leaves when metal and drift are
known and taken off.

Run: python tests/benchmarks/metal_bounds.py [sites [first seed]]
"""

import sys

import numpy as np
import pandas as pd
from buried_sites import DETECTOR, NOISE, TAPE_M, BuriedSite, make_site, signal_at

from detect.readings.inversion import Readings

#: one sigma of what is known beforehand of a target: e, n, depth (m), ln strength
PRIOR_SD = (1.0, 1.0, 0.3, 1.0)
WANDER_OVER_M = 2.0


def clean(site: BuriedSite) -> np.ndarray:
    """Tell readings that are neither spikes nor at full scale; what is left over is noise."""
    coil = site.coil
    where = coil["e"].to_numpy(), coil["n"].to_numpy(), coil["height"].to_numpy()
    off = site.readings["signal"] - coil["baseline"] - signal_at(site.truth, *where)
    return (off.abs() < 6.0 * NOISE).to_numpy() & ~site.readings["at_full_scale"].to_numpy()


def lag_bound(site: BuriedSite) -> float:
    """Return the least standard deviation of the lag, m."""
    kept = clean(site)
    readings, coil = site.readings[kept], site.coil[kept]
    rows = np.column_stack(
        [site.truth[["e", "n", "depth_m"]], np.log(site.truth["strength"].to_numpy())]
    )
    places = coil[["e", "n"]].to_numpy()
    around = Readings(places, np.zeros(len(readings)), DETECTOR, NOISE)
    by_target = around.slopes(rows)
    angle = np.deg2rad(readings["heading_deg"].to_numpy())
    ahead = np.column_stack([np.sin(angle), np.cos(angle)])
    aside = np.column_stack([ahead[:, 1], -ahead[:, 0]])
    place = by_target.reshape(len(readings), -1, 4)[..., :2].sum(axis=1)
    late, side = np.sum(place * ahead, axis=1), np.sum(place * aside, axis=1)
    track = readings["track"].to_numpy()
    stretch = track * 1000 + (readings["distance_m"].to_numpy() // WANDER_OVER_M).astype(int)
    wander = side[:, None] * (stretch[:, None] == np.unique(stretch))
    tape = late[:, None] * (track[:, None] == np.unique(track))
    slopes = np.column_stack([by_target, wander, tape, late])
    slopes /= np.sqrt(1.0 + (TAPE_M * late) ** 2)[:, None]
    known = np.concatenate(
        [
            np.tile(np.array(PRIOR_SD) ** -2, len(rows)),
            np.full(wander.shape[1], DETECTOR.line_error_m**-2),
            np.full(tape.shape[1], TAPE_M**-2),
            [0.0],
        ]
    )
    return float(np.sqrt(np.linalg.inv(slopes.T @ slopes + np.diag(known))[-1, -1]))


def level_errors(site: BuriedSite) -> pd.Series:
    """Return by track the error of the mean of its readings without metal and drift."""
    kept, coil = clean(site), site.coil
    where = coil["e"].to_numpy(), coil["n"].to_numpy(), coil["height"].to_numpy()
    off = site.readings["signal"] - coil["baseline"] - signal_at(site.truth, *where)
    return off[kept].groupby(site.readings["track"][kept]).mean().abs() / NOISE


def main() -> None:
    """Print both over some sites."""
    sites = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    all_sites = [make_site(seed) for seed in range(first, first + sites)]
    bounds = np.array([lag_bound(site) for site in all_sites])
    levels = pd.concat([level_errors(site) for site in all_sites])
    print(
        f"lag: least standard deviation {bounds.mean():.3f} m ({bounds.min():.3f} to "
        f"{bounds.max():.3f}); levels with all metal known: mean error {levels.mean():.2f} noise "
        f"units, worst of {len(levels)} lanes {levels.max():.2f}"
    )


if __name__ == "__main__":
    main()
