"""What each command works out, survey in, results out; nothing here reads or writes a file."""

from detect.stages.bed import BedMaps, map_bed
from detect.stages.check import CheckResult, check, swum
from detect.stages.common import Progress, silent
from detect.stages.learn import LearnResult, learn
from detect.stages.map import MapResult, map_signal
from detect.stages.plan import PlanResult, plan
from detect.stages.rank import RankResult, rank
from detect.stages.section import section
from detect.stages.trial import TrialResult, trial

__all__ = [
    "BedMaps",
    "CheckResult",
    "LearnResult",
    "MapResult",
    "PlanResult",
    "Progress",
    "RankResult",
    "TrialResult",
    "check",
    "learn",
    "map_bed",
    "map_signal",
    "plan",
    "rank",
    "section",
    "silent",
    "swum",
    "trial",
]
