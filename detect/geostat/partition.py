"""Compact blocks of readings, for what costs the cube of their number."""

from __future__ import annotations

import numpy as np

from detect.geostat.errors import FloatArray, IntArray


def compact_blocks(points: FloatArray, most: int, blocks: int | None = None) -> list[IntArray]:
    """Cut readings into blocks of like size by halving along the longer side, over and over.

    Parameters
    ----------
    points : (N, 2) array
        Positions, metres.
    most : int
        Most readings in a block.
    blocks : int, optional
        Keep only this many, spread evenly over all of them.

    Returns
    -------
    list of int arrays
        Indices of the readings of each block, ascending.
    """
    waiting = [np.arange(len(points))]
    done: list[IntArray] = []
    while waiting:
        block = waiting.pop()
        if len(block) <= most:
            done.append(np.sort(block))
            continue
        here = points[block]
        axis = int(np.argmax(np.ptp(here, axis=0)))
        order = np.argsort(here[:, axis], kind="stable")
        half = len(block) // 2
        waiting += [block[order[half:]], block[order[:half]]]
    if blocks is not None and len(done) > blocks:
        chosen = np.linspace(0, len(done) - 1, blocks).round().astype(int)
        done = [done[i] for i in chosen]
    return done
