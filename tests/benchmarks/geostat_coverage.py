"""Do 90 % intervals of square means hold 90 %? Two hundred drawn fields, read along lanes.

The truth is drawn here with a plain Cholesky factor, at the readings and at 100 points of every
square, and averaged; nothing of detect takes part in it. A benchmark, not a test: it prints. Run:
python tests/benchmarks/geostat_coverage.py [fields] [--fit]
"""

import argparse
import time

import numpy as np
from scipy.stats import norm

from detect.geostat import Kriging, Variogram, fit_reml

SIDE, SIZE, FINE = 14.0, 2.0, 10
NOISE = 0.3

MODELS = {
    "spherical": Variogram("spherical", 0.1, 0.9, 6.0),
    "exponential, turned": Variogram("exponential", 0.1, 0.9, 3.0, 0.5, 70.0),
    "matern": Variogram("matern", 0.05, 0.95, 1.5),
    "nested": Variogram.nested(
        [Variogram("spherical", 0.1, 0.4, 1.5), Variogram("spherical", 0.0, 0.5, 9.0)]
    ),
}


def layout() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return readings on lanes 1.5 m apart, centres of squares, and points within a square."""
    rng = np.random.default_rng(0)
    n, e = np.meshgrid(np.arange(0.25, SIDE, 0.5), np.arange(0.5, SIDE, 1.5))
    points = np.column_stack([e.ravel(), n.ravel()])
    points += rng.normal(0, 0.06, points.shape)
    middle = np.arange(SIZE / 2, SIDE, SIZE)
    centres = np.stack(np.meshgrid(middle, middle), axis=-1).reshape(-1, 2)
    fine = (np.arange(FINE) + 0.5) / FINE * SIZE - SIZE / 2
    return points, centres, np.stack(np.meshgrid(fine, fine), axis=-1).reshape(-1, 2)


def draw(v: Variogram, fields: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Return readings (fields, N) and true means of the squares (fields, M)."""
    points, centres, fine = layout()
    nodes = (centres[:, None] + fine).reshape(-1, 2)
    everywhere = np.r_[points, nodes]
    lag = everywhere[:, None] - everywhere[None]
    k = v.structure_covariance(lag[..., 0], lag[..., 1])
    k.flat[:: len(k) + 1] += 1e-9 * v.sill
    rng = np.random.default_rng(seed)
    field = (np.linalg.cholesky(k) @ rng.normal(size=(len(k), fields))).T
    error = np.sqrt(v.nugget + NOISE**2) * rng.normal(size=(fields, len(points)))
    truth = field[:, len(points) :].reshape(fields, len(centres), -1).mean(axis=2)
    return field[:, : len(points)] + error, truth


def main() -> None:
    """Print a row a model."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("fields", nargs="?", type=int, default=200)
    parser.add_argument("--fit", action="store_true", help="fit the variogram to each field too")
    given = parser.parse_args()
    points, centres, _ = layout()
    print(f"{len(points)} readings, {len(centres)} squares of {SIZE:g} m, {given.fields} fields")
    print(f"{'model':<22}{'variogram':<12}{'90 % hold':>10}{'+-':>7}{'msse':>8}{'seconds':>9}")
    for name, v in MODELS.items():
        readings, truth = draw(v, given.fields, seed=1)
        for how in ("known", "fitted") if given.fit else ("known",):
            begun = time.perf_counter()
            inside, square = [], []
            for values, means in zip(readings, truth, strict=True):
                model, sd = v, NOISE
                if how == "fitted":
                    kind = v.model if v.model != "nested" else "spherical"
                    model = fit_reml(points, values, kind, anisotropic="turned" in name).variogram
                    sd = 0.0
                estimate, variance = Kriging(points, values, model, sd).blocks(centres, SIZE)
                z = (means - estimate) / np.sqrt(variance)
                inside.append(np.mean(np.abs(z) <= norm.ppf(0.95)))
                square.append(np.mean(z**2))
            scatter = np.std(inside) / np.sqrt(given.fields)
            seconds = time.perf_counter() - begun
            print(
                f"{name:<22}{how:<12}{np.mean(inside):>10.4f}{scatter:>7.4f}"
                f"{np.mean(square):>8.3f}{seconds:>9.1f}"
            )


if __name__ == "__main__":
    main()
