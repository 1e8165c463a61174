"""What each command costs on the demo, in a fresh process: seconds and peak memory.

A benchmark, not a test: it prints and never fails. Run: python tests/benchmarks/demo_run.py
"""

import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_runs" / "heron_skerry"


def one(arguments: list[str]) -> tuple[float, float]:
    """Return wall seconds and peak resident memory (MB) of one fresh process."""
    begun = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "detect.cli", *arguments],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        cwd=ROOT,
    )
    _, status, usage = os.wait4(process.pid, 0)
    assert status == 0, arguments
    return time.perf_counter() - begun, usage.ru_maxrss / 1024.0


def main() -> None:
    """Print the table."""
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    with tempfile.TemporaryDirectory() as folder:
        jobs = {
            "detect --help": ["--help"],
            **{
                f"detect {name}": [name, str(DEMO), "--out", f"{folder}/{name}", "--quiet"]
                for name in ("plan", "check", "map", "rank", "run")
            },
        }
        print(f"{'command':<16}{'seconds, median of 3':>22}{'peak memory, MB':>18}")
        for name, arguments in jobs.items():
            runs = [one(arguments) for _ in range(3)]
            seconds = statistics.median(r[0] for r in runs)
            print(f"{name:<16}{seconds:>22.2f}{max(r[1] for r in runs):>18.0f}")


if __name__ == "__main__":
    main()
