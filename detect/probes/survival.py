"""How deep contacts lie, over the whole site, with those that were out of reach counted."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike


def kaplan_meier(depth: ArrayLike, ran_out: ArrayLike) -> pd.DataFrame:
    """Estimate the share of places where the first contact lies deeper than each depth.

    Parameters
    ----------
    depth : (N,) array
        Depth of contact, or depth reached without, m.
    ran_out : (N,) bool array
        Pushed to ``depth`` without contact.

    Returns
    -------
    DataFrame
        One row a depth of contact: ``depth_m, at_risk, contacts, deeper, deeper_se``; ``deeper_se``
        by Greenwood's formula, 0 where nothing is deeper.

    Notes
    -----
    Source: Kaplan & Meier 1958, J. Am. Stat. Assoc. 53. Limit: as if the probes were spread evenly
    over the site; nothing is said beyond the deepest push.
    """
    depth, ran_out = np.asarray(depth, float), np.asarray(ran_out, bool)
    level, contacts = np.unique(depth[~ran_out], return_counts=True)
    at_risk = (depth[None, :] >= level[:, None]).sum(axis=1)
    left = 1.0 - contacts / at_risk
    deeper = np.cumprod(left)
    # where all that are left make contact, nothing is deeper and the product is 0 whatever the sum
    terms = contacts / (at_risk * np.maximum(at_risk - contacts, 1))
    return pd.DataFrame(
        {
            "depth_m": level,
            "at_risk": at_risk,
            "contacts": contacts,
            "deeper": deeper,
            "deeper_se": deeper * np.sqrt(np.cumsum(terms)),
        }
    )


def median_depth(depth: ArrayLike, ran_out: ArrayLike) -> float | None:
    """Return the depth that half of the first contacts lie above; None where it was not reached."""
    table = kaplan_meier(depth, ran_out)
    reached = table.loc[table["deeper"] <= 0.5 + 1e-12, "depth_m"]
    return float(reached.iloc[0]) if len(reached) else None
