"""What each command works out, survey in, results out; nothing here reads or writes a file."""

from detect.stages.check import CheckResult, check, swum
from detect.stages.common import Progress, silent
from detect.stages.map import MapResult, map_bed, map_signal
from detect.stages.plan import PlanResult, plan
from detect.stages.rank import RankResult, rank
from detect.stages.trial import TrialResult, trial

__all__ = [
    "CheckResult",
    "MapResult",
    "PlanResult",
    "Progress",
    "RankResult",
    "TrialResult",
    "check",
    "map_bed",
    "map_signal",
    "plan",
    "rank",
    "silent",
    "swum",
    "trial",
]
