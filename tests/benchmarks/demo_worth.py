"""What the tool's order of squares is worth on the demo, and on other burials of the same kind.

The share of the buried strength that the first k squares hold, over the most that any k squares
could hold, for the tool and for plain binned means of the readings as typed. Both choose among the
same squares: those the tool ranks. Run: python tests/benchmarks/demo_worth.py [seeds]
"""

import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

from detect import stages
from detect.squares import square_of
from detect.survey import load_survey

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_runs" / "heron_skerry"
TRUTH = ROOT / "demo_runs" / "heron_skerry_truth.csv"


def shares(folder: Path, truth_file: Path) -> dict[str, float]:
    """Return the share of the best possible strength in the first top_k squares, by method."""
    survey = load_survey(folder, needs=("readings",))
    maps = stages.map_signal(survey)
    cover = stages.swum(survey)
    result = stages.rank(survey, maps, cover)
    squares = result.squares[result.squares["status"] == "open"]
    origin, layout, top_k = survey.squares_origin, result.layout, survey.settings.ranking.top_k

    def total(table: pd.DataFrame, column: str, how: str) -> pd.Series:
        owner = square_of(layout, table["e"].to_numpy(), table["n"].to_numpy(), origin)
        return squares["square"].map(table.groupby(owner)[column].agg(how))

    strength = total(pd.read_csv(truth_file), "strength", "sum").fillna(0.0).to_numpy()
    raw = total(survey.readings, "signal", "mean").fillna(-np.inf).to_numpy()
    used = maps.readings[maps.readings["used"]]
    conditioned = total(used, "signal", "mean").fillna(-np.inf).to_numpy()
    best = np.sort(strength)[::-1][:top_k].sum()

    def held(order: np.ndarray) -> float:
        return float(strength[order[:top_k]].sum() / best)

    return {
        "tool": held(np.arange(len(squares))),
        "binned means, raw": held(np.argsort(-raw, kind="stable")),
        "binned means, conditioned": held(np.argsort(-conditioned, kind="stable")),
    }


def main() -> None:
    """Print the demo's shares, then those of other seeds of the same generator."""
    rows = {"demo": shares(DEMO, TRUTH)}
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    for seed in range(1, seeds + 1):
        with tempfile.TemporaryDirectory() as folder:
            command = [sys.executable, str(ROOT / "demo_runs" / "make_heron_skerry.py")]
            subprocess.run(
                [*command, "--seed", str(seed), "--out", folder], check=True, capture_output=True
            )
            survey = next(Path(folder).rglob("survey.toml")).parent
            truth = next(Path(folder).rglob("*truth.csv"))
            rows[f"seed {seed}"] = shares(survey, truth)
    table = pd.DataFrame(rows).T
    table.loc["mean of seeds"] = table.iloc[1:].mean()
    print(table.round(3).to_string())


if __name__ == "__main__":
    main()
