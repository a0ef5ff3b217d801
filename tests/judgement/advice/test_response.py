"""What a display's own moves teach: against the direct solution of the same problem, and against drawn displays."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from tubewright.judgement.advice.branches import Branch, each, merged, other_side, seen
from tubewright.judgement.advice.doubts import known
from tubewright.judgement.advice.effects import effects_of
from tubewright.judgement.advice.landing import fit_landing
from tubewright.judgement.advice.modes import INDEX, MODES, Observation
from tubewright.judgement.advice.response import Belief, first_belief, moved
from tubewright.judgement.advice.solve import best_amounts, problem
from tubewright.knowledge.load import load_knowledge
from tubewright.picture.results import GUNS, ZONES, Figure, Purity, Unsupported

KNOWLEDGE = load_knowledge()
NONE = Unsupported(reason="not looked at", would_settle="nothing")


def observation(value: float, sd: float, mode: str, *, folded: bool = False) -> Observation:
    row = np.zeros((1, len(MODES)))
    row[0, INDEX[mode]] = 1
    return Observation(
        value=np.array([value]),
        rows=row,
        cov=np.array([[sd**2]]),
        folded=(0,) if folded else (),
        landing=NONE,
        singles={},
    )


def shown(belief: Belief, observed: Observation) -> Belief:
    return merged(seen((Branch(weight=1.0, belief=belief),), observed))


def turned(belief: Belief, amount: float) -> Belief:
    one = np.array([amount])
    return moved(belief, one, np.zeros(1), drift_sd=0.0, side_ratio=0.0)


def test_the_filter_gives_what_all_photographs_at_once_give() -> None:
    effects = effects_of(["h_position"], KNOWLEDGE)
    amounts, seen_at, sd = (0.2, -0.1, 0.35), (3.0, 7.4, 5.1, 12.6), 0.5
    belief = first_belief(effects)
    for n, value in enumerate(seen_at):
        if n:
            belief = turned(belief, amounts[n - 1])
        belief = shown(belief, observation(value, sd, "shift_x_mm"))
    # y = e + g x with priors, solved directly: e is the error at the end.
    x = np.concatenate([[0], np.cumsum(amounts)]) - sum(amounts)
    design = np.column_stack([np.ones(4), x])
    prior_e_at_first = 100.0
    start = np.array([1.0, -sum(amounts)])  # the error at the first photograph, from the two unknowns
    square = design.T @ design / sd**2 + np.outer(start, start) / prior_e_at_first**2
    square[1, 1] += 1 / effects.sd[0] ** 2
    expected = np.linalg.solve(square, design.T @ np.array(seen_at) / sd**2)
    assert belief.error[INDEX["shift_x_mm"]] == pytest.approx(expected[0], rel=1e-6)
    assert belief.mean[len(MODES)] == pytest.approx(expected[1], rel=1e-6)
    assert belief.gain_cov[0, 0] == pytest.approx(np.linalg.inv(square)[1, 1], rel=1e-6)


def test_a_figure_without_sign_is_followed_through_nothing_to_the_other_side() -> None:
    start = first_belief(effects_of(["focus"], KNOWLEDGE))
    branches = seen((Branch(weight=1.0, belief=start),), observation(0.8, 0.03, "defocus_mm", folded=True))
    gain, stands = -2.0, 0.8
    for amount in (0.2, 0.4):
        stands += gain * amount
        branches = each(branches, partial(turned, amount=amount))
        branches = seen(branches, observation(abs(stands), 0.03, "defocus_mm", folded=True))
    assert stands < 0
    belief = merged(branches)
    # It is told by its size: what has changed sides is the way the control works on it.
    assert belief.error[INDEX["defocus_mm"]] == pytest.approx(-stands, abs=0.08)
    assert belief.mean[len(MODES)] == pytest.approx(-gain, abs=0.2)


def test_where_the_side_can_not_be_told_the_direction_stays_open() -> None:
    start = first_belief(effects_of(["focus"], KNOWLEDGE))
    branches = seen((Branch(weight=1.0, belief=start),), observation(0.5, 0.03, "defocus_mm", folded=True))
    # From 0.5 to 0 or to 1 would tell; from 0.5 to 0.5 is nothing at all, or as far to the other side.
    branches = each(branches, partial(turned, amount=0.4))
    branches = seen(branches, observation(0.52, 0.03, "defocus_mm", folded=True))
    assert len(branches) == 2
    assert not known(merged(branches), 0, KNOWLEDGE)


def test_the_two_sides_of_a_figure_tell_the_same() -> None:
    effects = effects_of(["focus", "h_size"], KNOWLEDGE)
    start = first_belief(effects)
    rng = np.random.default_rng(2)
    belief = Belief(effects=effects, mean=rng.normal(size=start.mean.size), cov=start.cov)
    modes = [INDEX["defocus_mm"]]
    other = other_side(belief, modes)
    amounts = np.array([0.3, 0.2])
    ahead = [one.error[modes] + one.gain[modes] @ amounts for one in (belief, other)]
    assert ahead[1] == pytest.approx(-ahead[0])
    width = INDEX["width_pct"]
    assert other.gain[width] == pytest.approx(belief.gain[width])


def test_an_unknown_direction_is_not_turned_by_least_squares_and_a_known_one_is() -> None:
    effects = effects_of(["h_position"], KNOWLEDGE)
    weights = np.zeros((1, len(MODES)))
    weights[0, INDEX["shift_x_mm"]] = 1 / 3
    belief = shown(first_belief(effects), observation(9.0, 0.5, "shift_x_mm"))
    bounds = np.array([-0.75]), np.array([0.75])
    assert best_amounts(problem(belief, weights, 0.1), *bounds) == pytest.approx([0.0])
    belief = shown(turned(belief, 0.1), observation(11.0, 0.5, "shift_x_mm"))
    amounts = best_amounts(problem(belief, weights, 0.1), *bounds)
    assert -0.6 < amounts[0] < -0.4  # 11 mm at 20 mm a turn, held back by what isn't sure


def test_bounded_least_squares_against_the_reference_library() -> None:
    from scipy.optimize import lsq_linear

    rng = np.random.default_rng(3)
    effects = effects_of(["h_size", "v_size", "pincushion", "h_position", "trapezoid"], KNOWLEDGE)
    belief = first_belief(effects)
    gains = rng.normal(0, 1, len(effects.gains))
    mean = np.concatenate([rng.normal(0, 2, len(MODES)), gains])
    cov = np.zeros_like(belief.cov)
    weights = np.eye(len(MODES))
    posed = problem(Belief(effects=effects, mean=mean, cov=cov), weights, 0.0)
    low, high = np.full(5, -0.4), np.full(5, 0.6)
    expected = lsq_linear(posed.gain, -posed.error, bounds=(low, high), tol=1e-13).x
    assert best_amounts(posed, low, high) == pytest.approx(expected, abs=1e-5)


def purity(shares: dict[str, float], sd: float = 0.01) -> Purity:
    by_zone = {zone: Figure(value=shares[zone], sd=sd) for zone in ZONES}
    return Purity(shift_ratio=dict.fromkeys(GUNS, by_zone), worst_ratio=dict.fromkeys(GUNS, by_zone["left"]))


def stains(even: float, edge: float, patch: float = 0.0) -> dict[str, float]:
    light = {
        zone: abs(even + edge * (n % 3 - 1)) + (patch if zone == "top_right" else 0) for n, zone in enumerate(ZONES)
    }
    usual = float(np.median(list(light.values())))
    return {zone: value - usual for zone, value in light.items()}


@pytest.mark.parametrize(("even", "edge"), [(0.0, 0.15), (0.1, 0.12), (-0.06, 0.2), (0.15, 0.05)])
def test_landing_is_read_from_where_the_stain_is_but_for_its_common_sign(even: float, edge: float) -> None:
    found = fit_landing(purity(stains(even, edge)), both_axes=False)
    assert not isinstance(found, Unsupported)
    sd = np.sqrt(np.diag(found.cov_ratio))
    apart = min(np.abs(sign * found.value_ratio - [even, 0, edge]).max() for sign in (1, -1))
    assert apart < max(3 * sd.max(), 0.03)
    assert found.patch_sd < 2


def test_a_patch_that_rings_and_yoke_cannot_make_is_told() -> None:
    found = fit_landing(purity(stains(0.02, 0.03, patch=0.2)), both_axes=False)
    assert not isinstance(found, Unsupported)
    assert found.patch_sd > KNOWLEDGE.value("advice_magnetised_sd")
    assert found.patch_zone == "top_right"


def test_purity_of_too_few_zones_says_nothing() -> None:
    few = {zone: Figure(value=0.1, sd=0.01) for zone in ZONES[:4]}
    found = fit_landing(Purity(shift_ratio=dict.fromkeys(GUNS, few), worst_ratio={}), both_axes=False)
    assert isinstance(found, Unsupported)
