"""A section through probes and bed, along any line or the baseline."""

from __future__ import annotations

import numpy as np

from detect.probes import Section, contact_depth_model, cut_section, seabed_model
from detect.stages.bed import BedMaps
from detect.stages.common import Progress, needed, said_of_the_survey, silent
from detect.survey import Problem, Survey, SurveyError
from detect.survey.outlines import distance_off

Point = tuple[float, float]

#: an end of a section may lie this far outside the outline, m
OFF_SITE_M = 5.0


def section(
    survey: Survey,
    start: Point | None = None,
    end: Point | None = None,
    progress: Progress = silent,
    bed: BedMaps | None = None,
) -> Section:
    """Cut a section from ``start`` to ``end``, by default along the baseline.

    Parameters
    ----------
    survey : Survey
    start, end : (e, n), optional
        m.
    progress : Progress
    bed : BedMaps, optional
        The estimators, where they are known already.

    Raises
    ------
    SurveyError
        No probes, no baseline to fall back on, a line without length, or an end off the site.
    """
    probes = survey.probes if bed is not None else needed(survey.probes, "probes")
    if start is None or end is None:
        start, end = _baseline(survey)
    else:
        _check_on_site(survey, start, end)
    if start == end:
        what = f"the section starts and ends at e {start[0]:g}, n {start[1]:g}"
        raise SurveyError([Problem("--from, --to", what, "give two places")])
    progress("section", 0, 2)
    settings = survey.settings
    if bed is not None:
        soundings, depth = bed.seabed, bed.contact_depth
    else:
        with said_of_the_survey(settings.probes.file or "probes", None, "check the probe table"):
            depth = contact_depth_model(probes, seed=settings.ranking.seed)
        with said_of_the_survey(settings.seabed.file or "seabed", None, "check the seabed table"):
            soundings = seabed_model(survey.seabed)
    progress("section", 1, 2)
    return cut_section(start, end, probes, soundings, depth, within_m=settings.squares.size_m)


def _check_on_site(survey: Survey, start: Point, end: Point) -> None:
    """Refuse ends that are no numbers or lie where nothing is known of the bed."""
    slips = []
    for option, place in (("--from", start), ("--to", end)):
        if not np.isfinite(place).all():
            slips.append(Problem(option, f"{place[0]:g},{place[1]:g} is no place", "give e,n in m"))
            continue
        off = float(distance_off(survey.outline, *place))
        if off > OFF_SITE_M:
            what = f"e {place[0]:g}, n {place[1]:g} lies {off:.0f} m outside the site's outline"
            remedy = f"give a place on the site or within {OFF_SITE_M:g} m of it, in grid metres"
            slips.append(Problem(option, what, remedy))
    if slips:
        raise SurveyError(slips)


def _baseline(survey: Survey) -> tuple[Point, Point]:
    baseline = survey.settings.frame.baseline
    if baseline is None:
        raise SurveyError(
            [
                Problem(
                    "survey.toml",
                    "no line is given and there is no baseline",
                    "give --from e,n --to e,n, or write [frame] baseline",
                    column="frame.baseline",
                )
            ]
        )
    return (float(baseline[0][0]), float(baseline[0][1])), (
        float(baseline[1][0]),
        float(baseline[1][1]),
    )
