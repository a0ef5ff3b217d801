"""Exact inference in a two-layer noisy-OR network: which faults, given what was found.

A finding is seen if at least one fault that is present shows it, or if something
outside the catalogue does (its leak)::

    P(finding j | faults) = 1 - (1 - leak_j) * product over present i of (1 - link_ij)

Faults are independent beforehand. Findings known to be absent factorise over the
faults. Findings known to be present tie them together; they are dealt with by
walking the faults one by one while holding a weight for every set of present
findings that is explained so far. A fault that is absent leaves that set alone, one
that is present moves weight from "not yet" to "explained". A second walk backwards
gives the posterior of every fault.

Every term of both walks is non-negative, so nothing can cancel. The textbook way,
inclusion and exclusion over the present findings, subtracts numbers near 1 to get a
probability of the evidence that may be 1e-12 or less, and has lost every digit at
some twelve present findings; it lives in the tests as a warning, not here.

A finding takes part in the walk only from the first fault linked to it to the last,
so the cost grows with the number *open at once*, not with the number present.
Groups of findings that share no fault are walked apart.

Source: the noisy-OR model is Pearl, Probabilistic Reasoning in Intelligent Systems,
1988, section 4.3.2 (from memory); the walk is the forward-backward recursion for
hidden chains with the explained set as its state.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tubewright.errors import Fault, InputError, RefusedError

Floats: TypeAlias = NDArray[np.float64]

MOST_OPEN: Final = 18
"""Most present findings that may be open at once: 2**18 weights (2 MB) per step of the walk."""


@dataclass(frozen=True, slots=True)
class _Step:
    """One fault of the walk: findings opened before it, and closed after it (as axes then)."""

    fault: int
    opened: tuple[int, ...]
    axes: tuple[int, ...]
    links: tuple[float, ...]
    closed_axes: tuple[int, ...]


def posteriors(
    priors: Floats,
    links: Floats,
    leaks: Floats,
    positive: Sequence[int],
    negative: Sequence[int],
    *,
    odds_ratios: Floats | None = None,
) -> tuple[Floats, float]:
    """Posterior probability of every fault, and the logarithm of the evidence.

    Args:
        priors: Probability of each fault beforehand; shape (faults,).
        links: Chance that a fault alone shows a finding; shape (faults, findings).
        leaks: Chance that a finding is seen without any fault; shape (findings,).
        positive: Indices of findings known to be present.
        negative: Indices of findings known to be absent.
        odds_ratios: Soft evidence: the factor on the odds of each fault, shape
            (faults,); all 1 if left out.

    Returns:
        Posteriors, shape (faults,), and the natural logarithm of the probability of
        the findings. With ``odds_ratios`` the latter is counted relative to the
        probability of the same soft evidence in a display with no fault.

    Raises:
        InputError: The evidence is impossible under the network, or an argument has a
            wrong shape or is no probability.
        RefusedError: More than :data:`MOST_OPEN` present findings hang together.
    """
    present, absent, log_evidence = _weights(priors, links, leaks, positive, negative, odds_ratios=odds_ratios)
    total = present + absent
    answer = present / total
    free = np.ones(len(priors), dtype=bool)
    for findings, faults in _groups(links, present, positive):
        free[faults] = False
        log_evidence += _walk(
            _plan(links, findings, faults), present=present, absent=absent, leaks=leaks, answer=answer
        )
    log_evidence += float(np.log(total[free]).sum())
    return answer, log_evidence


def log_evidence(
    priors: Floats,
    links: Floats,
    leaks: Floats,
    positive: Sequence[int],
    negative: Sequence[int],
    *,
    odds_ratios: Floats | None = None,
) -> float:
    """Logarithm of the evidence alone: one walk instead of two. Arguments as :func:`posteriors`.

    Returns:
        Natural logarithm; ``-inf`` where the evidence is impossible.
    """
    try:
        present, absent, logarithm = _weights(priors, links, leaks, positive, negative, odds_ratios=odds_ratios)
        free = np.ones(len(priors), dtype=bool)
        for findings, faults in _groups(links, present, positive):
            free[faults] = False
            logarithm += _walk(_plan(links, findings, faults), present=present, absent=absent, leaks=leaks, answer=None)
    except _ImpossibleError:
        return -math.inf
    return logarithm + float(np.log((present + absent)[free]).sum())


class _ImpossibleError(InputError):
    """The evidence has probability zero."""

    def __init__(self) -> None:
        super().__init__(
            Fault(
                what="these findings can't occur together under any set of known faults",
                where="findings",
                mend="Look again at what is marked absent and at results that settle a matter.",
            )
        )


def _weights(
    priors: Floats,
    links: Floats,
    leaks: Floats,
    positive: Sequence[int],
    negative: Sequence[int],
    *,
    odds_ratios: Floats | None,
) -> tuple[Floats, Floats, float]:
    """Weight of each fault present and absent with absent findings and soft evidence folded in."""
    count = len(priors)
    ratios = np.ones(count) if odds_ratios is None else odds_ratios
    if links.shape != (count, len(leaks)) or ratios.shape != (count,):
        raise InputError(
            Fault(
                what=f"shapes {priors.shape}, {links.shape}, {leaks.shape}, {ratios.shape} don't fit each other",
                where="network",
                mend="Priors and odds ratios go by fault, leaks by finding, links by fault and finding.",
            )
        )
    for name, values in (("priors", priors), ("links", links), ("leaks", leaks)):
        if not bool(np.all((values >= 0) & (values <= 1))):
            raise InputError(Fault(what=f"{name} hold a value outside 0..1", where="network", mend="Mend the data."))
    if not bool(np.all((ratios >= 0) & np.isfinite(ratios))):
        raise InputError(
            Fault(what="an odds ratio is negative or not finite", where="network", mend="Use a large finite ratio.")
        )
    if set(positive) & set(negative) or len(set(positive)) < len(positive) or len(set(negative)) < len(negative):
        raise InputError(
            Fault(what="a finding is given twice", where="network", mend="Mark each finding present or absent, once.")
        )
    absent_findings = np.asarray(negative, dtype=np.intp)
    present = priors * ratios * np.prod(1.0 - links[:, absent_findings], axis=1)
    absent = 1.0 - priors
    if not bool(np.all(present + absent > 0)) or not bool(np.all(leaks[absent_findings] < 1)):
        raise _ImpossibleError
    return present, absent, float(np.log1p(-leaks[absent_findings]).sum())


def _groups(links: Floats, present: Floats, positive: Sequence[int]) -> list[tuple[list[int], list[int]]]:
    """Present findings and the faults that could show them, parted where they share none."""
    groups: list[tuple[list[int], set[int]]] = []
    for finding in positive:
        mine = set(np.flatnonzero((links[:, finding] > 0) & (present > 0)).tolist())
        findings = [finding]
        rest: list[tuple[list[int], set[int]]] = []
        for group in groups:
            if mine & group[1]:
                findings = group[0] + findings
                mine |= group[1]
            else:
                rest.append(group)
        groups = [*rest, (findings, mine)]
    return [(findings, sorted(faults)) for findings, faults in groups]


def _plan(links: Floats, findings: list[int], faults: list[int]) -> tuple[list[int], list[_Step]]:
    """Order of the walk that keeps few findings open at once (smallest neighbourhood first).

    Returns:
        Findings that no fault can show (only their leak counts), and the steps.
    """
    waiting = {fault: frozenset(f for f in findings if links[fault, f] > 0) for fault in faults}
    order: list[int] = []
    unopened = [f for f in findings if any(f in mask for mask in waiting.values())]
    alone = [f for f in findings if f not in unopened]
    open_now: frozenset[int] = frozenset()
    unclosed = set(unopened)
    while unclosed:
        # Closing one finding means opening all that its remaining faults show.
        reach = {f: open_now.union(*(mask for mask in waiting.values() if f in mask)) for f in unclosed}
        best = min(unclosed, key=lambda f: (len(reach[f]), f))
        batch = [fault for fault, mask in waiting.items() if best in mask or mask <= open_now]
        for fault in sorted(batch, key=lambda i: (len(waiting[i] - open_now), i)):
            order.append(fault)
            open_now |= waiting.pop(fault)
        left: set[int] = set().union(*waiting.values())
        unclosed &= left
        open_now &= left

    masks = {fault: [f for f in findings if links[fault, f] > 0] for fault in order}
    last = {f: fault for fault in order for f in masks[fault]}
    axes: list[int] = []
    steps: list[_Step] = []
    for fault in order:
        opened = tuple(f for f in masks[fault] if f not in axes)
        axes += opened
        if len(axes) > MOST_OPEN:
            raise RefusedError(
                Fault(
                    what=f"{len(findings)} findings hang together, more than can be reckoned exactly at once",
                    where="findings",
                    mend=f"Leave in the {MOST_OPEN} that trouble the picture most; the rest will follow from them.",
                )
            )
        closed = [f for f in masks[fault] if last[f] == fault]
        steps.append(
            _Step(
                fault=fault,
                opened=opened,
                axes=tuple(axes.index(f) for f in masks[fault]),
                links=tuple(float(links[fault, f]) for f in masks[fault]),
                closed_axes=tuple(sorted((axes.index(f) for f in closed), reverse=True)),
            )
        )
        axes = [f for f in axes if f not in closed]
    return alone, steps


def _walk(
    plan: tuple[list[int], list[_Step]],
    *,
    present: Floats,
    absent: Floats,
    leaks: Floats,
    answer: Floats | None,
) -> float:
    """Walk one group; fills ``answer`` at its faults unless it is None; returns log evidence."""
    alone, steps = plan
    if any(leaks[f] == 0 for f in alone):
        raise _ImpossibleError
    logarithm = float(np.log(leaks[np.asarray(alone, dtype=np.intp)]).sum())
    weights = np.ones(())
    kept: list[Floats] = []
    for step in steps:
        for finding in step.opened:
            weights = weights[..., np.newaxis] * np.array([1.0 - leaks[finding], leaks[finding]])
        if answer is not None:
            kept.append(weights)
        weights = absent[step.fault] * weights + present[step.fault] * _explain(weights, step)
        for axis in step.closed_axes:
            weights = weights[(slice(None),) * axis + (1, ...)]
        largest = float(weights.max())
        if largest == 0:
            raise _ImpossibleError
        weights = weights / largest
        logarithm += math.log(largest)
    if answer is None:
        return logarithm

    ahead = np.ones(())
    for step, before in zip(reversed(steps), reversed(kept), strict=True):
        for axis in reversed(step.closed_axes):
            ahead = np.stack([np.zeros_like(ahead), ahead], axis=axis)
        shown = _look_ahead(ahead, step)
        with_fault = present[step.fault] * float(np.vdot(before, shown))
        without = absent[step.fault] * float(np.vdot(before, ahead))
        answer[step.fault] = with_fault / (with_fault + without)
        ahead = absent[step.fault] * ahead + present[step.fault] * shown
        for finding in reversed(step.opened):
            ahead = ahead @ np.array([1.0 - leaks[finding], leaks[finding]])
        ahead = ahead / float(ahead.max())
    return logarithm


def _explain(weights: Floats, step: _Step) -> Floats:
    """Weights after the fault of this step is present: "not yet" moves to "explained"."""
    moved = weights.copy()
    for axis, link in zip(step.axes, step.links, strict=True):
        not_yet = moved[(slice(None),) * axis + (0, ...)]
        explained = moved[(slice(None),) * axis + (1, ...)]
        explained += link * not_yet
        not_yet *= 1.0 - link
    return moved


def _look_ahead(ahead: Floats, step: _Step) -> Floats:
    """The transpose of :func:`_explain`."""
    moved = ahead.copy()
    for axis, link in zip(step.axes, step.links, strict=True):
        not_yet = moved[(slice(None),) * axis + (0, ...)]
        not_yet *= 1.0 - link
        not_yet += link * moved[(slice(None),) * axis + (1, ...)]
    return moved
