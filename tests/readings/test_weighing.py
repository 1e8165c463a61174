"""All answers about a target: against a plain sum over the same answers, and on planted targets."""

import numpy as np
import pytest
from planted import DETECTOR, NOISE, signal_over
from scipy.special import logsumexp
from scipy.stats import multivariate_normal, t

from detect.lanes import response_ratio
from detect.readings import weighing
from detect.readings.weighing import Heard, Lattice, Weigher


def lanes_over(place, depth, strength, rng=None, wander=0.0, lanes=(-1.0, 0.0, 1.0), full=np.inf):
    """Readings of lanes north past a target, each swum a little to one side."""
    parts = []
    for number, e in enumerate(lanes):
        n = np.arange(-1.2, 1.21, 0.25)
        aside = 0.0 if rng is None else rng.normal(0, wander)
        signal = signal_over([*place, depth, strength], e + aside, n)
        if rng is not None:
            signal = signal + rng.normal(0, NOISE, n.size)
        parts.append((np.full(n.size, e), n, signal, np.full(n.size, number)))
    e, n, signal, track = (np.concatenate(p) for p in zip(*parts, strict=True))
    signal = np.minimum(signal, full)
    variance = NOISE**2 + (0.1 * signal) ** 2
    return Heard(np.column_stack([e, n]), signal, variance, track, np.zeros(e.size), signal >= full)


def test_the_evidence_is_the_sum_over_all_answers_by_hand(monkeypatch):
    # reference: scipy's multivariate normal density with the full covariance of each lane,
    # averaged over its places aside, times scipy's Student prior, summed over every answer
    monkeypatch.setattr(weighing, "WORTH_A_LOOK", np.inf)
    lattice = Lattice(
        np.array([-0.3, 0.0, 0.3]), np.array([0.0]), 3, np.array([-0.3, 0.3]), np.linspace(-1, 1, 3)
    )
    heard = lanes_over((0.1, 0.0), 0.3, 2.0, np.random.default_rng(1), 0.1, (0.0, 1.0))
    weigher = Weigher(DETECTOR, NOISE, lattice)
    ours = logsumexp(weigher._answers(np.array([0.0, 0.0]), 0.03, heard).score)
    level = weighing.LEVEL_SD * NOISE
    chances = np.exp(-0.5 * lattice.offsets**2) / np.exp(-0.5 * lattice.offsets**2).sum()
    terms = []
    for z, width, gain in zip(
        weigher.distances, weigher.ln_width, weigher.gain_variance, strict=True
    ):
        for e in lattice.across_m:

            def response(off, lane, e=e, z=z):
                points = heard.points[heard.track == lane] - [e + 0.12 * off, 0.0]
                return 3.5 * response_ratio(np.hypot(*points.T), z, DETECTOR)

            power = match = 0.0
            for lane in (0, 1):
                mine, a = heard.track == lane, response(0.0, lane)
                inverse = np.linalg.inv(np.diag(heard.variance[mine]) + level**2)
                power, match = power + a @ inverse @ a, match + a @ inverse @ heard.signal[mine]
            for step in lattice.ln_strengths:
                ln_q = np.log(max(match / power, 1e-3)) + step
                total = width + t.logpdf(ln_q / weighing.LN_STRENGTH_SCALE, 3.0)
                for lane in (0, 1):
                    mine = heard.track == lane
                    each = []
                    for off, chance in zip(lattice.offsets, chances, strict=True):
                        mean = np.exp(ln_q) * response(off, lane)
                        spread = np.diag(heard.variance[mine]) + level**2
                        spread = spread + gain * np.outer(mean, mean)
                        density = multivariate_normal(mean, spread).logpdf(heard.signal[mine])
                        each.append(np.log(chance) + density)
                    total += logsumexp(each)
                terms.append(total)
    # ours leaves constants out: they are the same whatever the readings' signal
    nothing = Heard(heard.points, 0.0 * heard.signal, *[getattr(heard, name) for name in (
        "variance", "track", "heading_deg", "at_least")])  # fmt: skip
    constant = -0.5 * sum(
        np.linalg.slogdet(np.diag(nothing.variance[nothing.track == lane]) + level**2)[1]
        + (nothing.track == lane).sum() * np.log(2 * np.pi)
        for lane in (0, 1)
    ) + t.logpdf(0.0, 3.0)
    assert ours == pytest.approx(logsumexp(terms) - constant, abs=0.02)


def test_responses_are_those_of_places_a_millimetre_off():
    rng, weigher = np.random.default_rng(7), Weigher(DETECTOR, NOISE)
    points, place = rng.uniform(-1.2, 1.2, (5000, 2)), np.array([[[0.1, 0.2]]])
    ours = weigher._responses(place, points)[:, 0]
    rho = np.hypot(*(points - place[0, 0]).T)
    exact = 3.5 * response_ratio(rho, weigher.distances[:, None], DETECTOR)
    np.testing.assert_allclose(ours, exact, rtol=0.025)


def test_ranges_hold_their_share_over_wandering_lanes():
    rng = np.random.default_rng(5)
    weigher, depths, strengths, near, said = Weigher(DETECTOR, NOISE), 0, 0, 0, 0.0
    count = 60
    for _ in range(count):
        place = np.array([rng.uniform(-0.5, 0.5), rng.uniform(-0.1, 0.1)])
        depth, strength = rng.uniform(0.1, 0.7), np.exp(rng.normal(1.0, 0.7))
        heard = lanes_over(place, depth, strength, rng, 0.12)
        belief, *_ = weigher.weigh(rng.normal(0, 0.1, 2), 0.04, heard, heard.points[:0])
        depths += belief.depth_low_m <= depth <= belief.depth_high_m
        strengths += belief.strength_low <= strength <= belief.strength_high
        near += np.hypot(belief.e - place[0], belief.n - place[1]) <= 0.25
        said += belief.within_reach
    # 60 of 90 %: two standard errors are 8 %
    assert 0.8 <= depths / count <= 1.0
    assert 0.8 <= strengths / count <= 1.0
    assert near / count == pytest.approx(said / count, abs=0.1)


def test_heard_on_one_lane_it_may_lie_on_either_side():
    heard = lanes_over((0.25, 0.0), 0.1, 0.3, lanes=(0.0,))
    belief, *_ = Weigher(DETECTOR, NOISE).weigh(np.zeros(2), 0.04, heard, heard.points[:0])
    assert belief.sides[0] == pytest.approx(belief.sides[1], abs=0.02)
    assert "either side" in belief.note
    assert abs(belief.e) < 0.1


def test_a_faint_target_gets_a_range_and_no_number():
    heard = lanes_over((0.0, 0.0), 0.6, 1.5, np.random.default_rng(2), 0.1)
    belief, *_ = Weigher(DETECTOR, NOISE).weigh(np.zeros(2), 0.04, heard, heard.points[:0])
    assert "no number" in belief.note
    assert belief.depth_low_m < 0.6 < belief.depth_high_m


def test_what_is_expected_of_a_target_is_what_it_adds():
    heard = lanes_over((0.1, 0.0), 0.3, 5.0)
    _, mean, spread = Weigher(DETECTOR, NOISE).weigh(np.zeros(2), 0.04, heard, heard.points)
    loud = heard.signal > 5.0
    assert np.all(
        np.abs(mean - heard.signal)[loud] < 3.0 * np.sqrt(spread)[loud] + 0.3 * mean[loud]
    )


def test_readings_at_full_scale_are_at_least_that():
    # clipped at 20 of 60: the strength is more than what 20 would be, and not told from below
    loud = lanes_over((0.0, 0.0), 0.1, 1.5)
    clipped = lanes_over((0.0, 0.0), 0.1, 1.5, full=20.0)
    assert clipped.at_least.any()
    weigher = Weigher(DETECTOR, NOISE)
    free, *_ = weigher.weigh(np.zeros(2), 0.04, loud, loud.points[:0])
    held, *_ = weigher.weigh(np.zeros(2), 0.04, clipped, loud.points[:0])
    assert held.strength_high > 1.0
    assert held.depth_low_m <= free.depth_m <= held.depth_high_m + 0.05
