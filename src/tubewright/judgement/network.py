"""Inference in a two-layer noisy-OR network: which faults, given what was found.

A finding is seen if at least one fault that is present shows it, or if something
outside the catalogue does (its leak)::

    P(finding j | faults) = 1 - (1 - leak_j) * product over present i of (1 - link_ij)

Faults are independent beforehand. Findings known to be absent factorise over the
faults. Findings known to be present tie them together. A fault that is tied to one
of them only is folded into that finding's leak. The others are walked one by one while
holding a weight for every set of present findings that is explained so far. A fault
that is absent leaves that set alone, one that is present moves weight from "not yet"
to "explained". A second walk backwards gives the posterior of every fault.

Every term of both walks is non-negative, so nothing can cancel. The textbook way,
inclusion and exclusion over the present findings, subtracts numbers near 1 to get a
probability of the evidence that may be 1e-12 or less, and has lost every digit at
some twelve present findings; it lives in the tests as a warning, not here.

A finding takes part in the walk only from the first fault linked to it to the last,
so the cost grows with the number *open at once*, not with the number present.
Groups of findings that share no fault are walked apart. A group that has more than
:data:`MOST_OPEN` findings open at once is sampled instead
(:mod:`tubewright.judgement.network_sampled`), and the answer says so with its error.

Several variants of one question (a finding left out, a group of faults silenced) are
walked together: they differ in their numbers, not in the order of the walk.

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

from tubewright.errors import Fault, InputError
from tubewright.judgement.network_plan import Group, Step, plan_groups
from tubewright.judgement.network_sampled import reweighted, sample_group

Floats: TypeAlias = NDArray[np.float64]

MOST_OPEN: Final = 18
"""Most present findings that may be open at once in an exact walk: 2**18 weights (2 MB) per step."""
_MOST_NUMBERS: Final = 1 << 24
"""Most weights kept at once (128 MB); more variants than fit are walked in turns."""
_MOST_WORK: Final = 1.5e9
"""Most multiplications of one exact call (some 2 to 3 s); variants that want more are read off samples."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Walked:
    """Answers to variants of one question.

    ``posteriors``, shape (variants, faults), and ``log_evidence``, shape (variants,),
    natural logarithms; ``posterior_sd`` and ``log_evidence_sd`` are their standard errors,
    0 where the answer is exact. ``samples`` is how many sets of faults were drawn, if any.
    """

    posteriors: Floats
    log_evidence: Floats
    posterior_sd: Floats
    log_evidence_sd: Floats
    samples: int

    @property
    def exact(self) -> bool:
        """Whether the question itself was answered without sampling, whatever its variants were."""
        return bool(self.log_evidence_sd[0] == 0)


def posteriors(
    priors: Floats,
    links: Floats,
    leaks: Floats,
    positive: Sequence[int],
    negative: Sequence[int],
    *,
    odds_ratios: Floats | None = None,
    seed: int = 1,
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
        seed: Where the random numbers start, should a group have to be sampled.

    Returns:
        Posteriors, shape (faults,), and the natural logarithm of the probability of
        the findings. With ``odds_ratios`` the latter is counted relative to the
        probability of the same soft evidence in a display with no fault.

    Raises:
        InputError: The evidence is impossible under the network, or an argument has a
            wrong shape or is no probability.
    """
    present, absent, logarithm = weights(priors, links, leaks, positive, negative, odds_ratios=odds_ratios)
    chosen = np.asarray(positive, dtype=np.intp)
    walked = walk(
        present[np.newaxis], absent[np.newaxis], links[np.newaxis, :, chosen], leaks[np.newaxis, chosen], seed=seed
    )
    if walked.log_evidence[0] == -math.inf:
        raise ImpossibleError
    return walked.posteriors[0], logarithm + float(walked.log_evidence[0])


def log_evidence(
    priors: Floats,
    links: Floats,
    leaks: Floats,
    positive: Sequence[int],
    negative: Sequence[int],
    *,
    odds_ratios: Floats | None = None,
    seed: int = 1,
) -> float:
    """Logarithm of the evidence alone: one walk instead of two. Arguments as :func:`posteriors`.

    Returns:
        Natural logarithm; ``-inf`` where the evidence is impossible.
    """
    try:
        present, absent, logarithm = weights(priors, links, leaks, positive, negative, odds_ratios=odds_ratios)
    except ImpossibleError:
        return -math.inf
    chosen = np.asarray(positive, dtype=np.intp)
    walked = walk(
        present[np.newaxis],
        absent[np.newaxis],
        links[np.newaxis, :, chosen],
        leaks[np.newaxis, chosen],
        seed=seed,
        wanted=False,
    )
    return logarithm + float(walked.log_evidence[0])


class ImpossibleError(InputError):
    """The evidence has probability zero."""

    def __init__(self) -> None:
        super().__init__(
            Fault(
                what="these findings can't occur together under any set of known faults",
                where="findings",
                mend="Look again at what is marked absent and at results that settle a matter.",
            )
        )


def weights(
    priors: Floats,
    links: Floats,
    leaks: Floats,
    positive: Sequence[int],
    negative: Sequence[int],
    *,
    odds_ratios: Floats | None,
) -> tuple[Floats, Floats, float]:
    """Weight of each fault present and absent with absent findings and soft evidence folded in.

    Returns:
        Both weights, shape (faults,), and the logarithm of the absent findings' leaks.

    Raises:
        InputError: As :func:`posteriors`.
    """
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
        raise ImpossibleError
    return present, absent, float(np.log1p(-leaks[absent_findings]).sum())


def walk(
    present: Floats,
    absent: Floats,
    links: Floats,
    leaks: Floats,
    *,
    seed: int = 1,
    wanted: bool = True,
    most_open: int = MOST_OPEN,
) -> Walked:
    """Answer variants of one question together.

    The first variant is the question itself; where a group has to be sampled the others
    are read off the same samples, weighed anew, so they must not ask for what the first
    rules out.

    Args:
        present: Weight of each fault if present, with all that is not a present finding
            folded in; shape (variants, faults).
        absent: The same if absent; shape (variants, faults) or (1, faults).
        links: Chance that a fault alone shows each present finding; shape
            (variants or 1, faults, findings).
        leaks: Leak of each present finding; shape (variants, findings). A leak of 1 takes a
            finding out.
        seed: Where the random numbers start.
        wanted: Whether the posteriors are wanted; without them it is one walk instead of two.
        most_open: Most findings open at once that are still walked exactly.

    Returns:
        The answers; a variant whose evidence is impossible has ``-inf`` and no
        meaningful posteriors.
    """
    total = present + absent
    with np.errstate(divide="ignore", invalid="ignore"):
        chance = np.where(total > 0, present / total, 0.0)
        logarithm = np.log(total).sum(axis=1)
    touching = np.any(links > 0, axis=0) & np.any(present > 0, axis=0)[:, np.newaxis]
    degree = touching.sum(axis=1)
    singles = np.flatnonzero(degree == 1)
    own = touching[singles] @ np.arange(leaks.shape[1])  # the only finding of each
    alone = links[:, singles, own]
    with np.errstate(divide="ignore"):
        kept_still = np.log1p(-chance[:, singles] * alone)  # (variants, singles)
        hidden = np.log1p(-leaks)
    for finding in range(leaks.shape[1]):
        hidden[:, finding] += kept_still[:, own == finding].sum(axis=1)
    folded = -np.expm1(hidden)
    groups = plan_groups(touching & (degree > 1)[:, np.newaxis])
    tied = {finding for group in groups for finding in group.findings}
    answer = chance.copy()
    answer_sd = np.zeros_like(answer)
    log_sd = np.zeros(len(present))
    unlit = np.zeros_like(leaks)  # chance that neither leak nor a fault of its own shows a finding
    samples = 0
    with np.errstate(divide="ignore"):
        loose = [finding for finding in range(leaks.shape[1]) if finding not in tied]
        logarithm = logarithm + np.log(folded[:, loose]).sum(axis=1)
    for number, group in enumerate(groups):
        asked = _Asked(chance=chance, links=links, leaks=folded, answer=answer, unlit=unlit, wanted=wanted)
        walkable = group.most_open <= most_open and group.work <= _MOST_WORK
        if walkable and group.work * len(present) <= _MOST_WORK:
            logarithm = logarithm + _exactly(group, asked)
            continue
        faults, findings = list(group.faults), list(group.findings)
        drawn = sample_group(
            chance[0][faults],
            links[0][np.ix_(faults, findings)],
            folded[0][findings],
            rng=np.random.default_rng([seed, number]),
        )
        told = reweighted(drawn, chance=chance, links=links, leaks=folded, group=group)
        answer[:, faults], answer_sd[:, faults], unlit[:, findings] = told.posteriors, told.posterior_sd, told.unlit
        told_logs, told_sd = told.log_evidence, told.log_evidence_sd
        samples = max(samples, drawn.samples)
        if walkable:
            # The question itself is walked; only its variants are read off the samples, as ratios to it.
            exact = float(_exactly(group, asked, count=1)[0])
            told_logs = exact + (told_logs - told_logs[0])
            told_sd = np.where(np.arange(len(told_sd)) == 0, 0.0, told_sd)
            answer_sd[0, faults] = 0.0
        logarithm = logarithm + told_logs
        log_sd = np.hypot(log_sd, told_sd)
    if wanted and len(singles):
        answer[:, singles] = _singles(
            chance[:, singles], alone, hidden[:, own], kept_still, folded[:, own], unlit[:, own]
        )
    return Walked(
        posteriors=answer,
        log_evidence=logarithm,
        posterior_sd=answer_sd,
        log_evidence_sd=log_sd,
        samples=samples,
    )


def _singles(chance: Floats, link: Floats, hidden: Floats, still: Floats, folded: Floats, unlit: Floats) -> Floats:
    """Posteriors of faults that are tied to one finding only, from what became of that finding."""
    with np.errstate(divide="ignore", invalid="ignore"):
        others = np.where(np.isneginf(still), 0.0, hidden - still)  # a certain cause hides nothing
        if_dark = np.where(np.isneginf(still), 0.0, chance * (1.0 - link) / np.exp(still))
        if_lit = chance * -np.expm1(np.log1p(-link) + others) / folded
    if_lit = np.where(np.isneginf(still), chance, if_lit)
    return np.where(unlit > 0, unlit * if_dark, 0.0) + np.where(unlit < 1, (1.0 - unlit) * if_lit, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Asked:
    """Numbers of all variants, and where the answers go."""

    chance: Floats
    links: Floats
    leaks: Floats
    answer: Floats
    unlit: Floats
    wanted: bool


def _exactly(group: Group, asked: _Asked, *, count: int | None = None) -> Floats:
    """Walk one group for all variants or the first few, as many at a time as memory holds; their log evidence."""
    count = len(asked.leaks) if count is None else count
    at_once = max(1, _MOST_NUMBERS // max(1, group.numbers if asked.wanted else 1 << group.most_open))
    return np.concatenate(
        [_walk(group, asked, slice(start, min(start + at_once, count))) for start in range(0, count, at_once)]
    )


def _walk(group: Group, asked: _Asked, rows: slice) -> Floats:
    present, leaks = asked.chance[rows], asked.leaks[rows]
    links = asked.links if len(asked.links) == 1 else asked.links[rows]
    count = len(leaks)
    local = np.stack([1.0 - leaks, leaks], axis=-1)  # (variants, findings, 2)
    logarithm = np.zeros(count)
    held = np.ones(count)
    kept: list[Floats] = []
    for step in group.steps:
        for finding in step.opened:
            held = held[..., np.newaxis] * _across(local[:, finding], held.ndim)
        if asked.wanted:
            kept.append(held)
        there = _wide(present[:, step.fault], held.ndim)
        held = (1.0 - there) * held + there * _explain(held, step, links)
        for axis in step.closed_axes:
            held = held[(slice(None),) * (axis + 1) + (1, ...)]
        largest = held.reshape(count, -1).max(axis=1)
        held = held / _wide(np.where(largest > 0, largest, 1.0), held.ndim)
        with np.errstate(divide="ignore"):
            logarithm += np.log(largest)
    if asked.wanted:
        _back(group, asked, rows, kept, local, links)
    return logarithm


def _back(group: Group, asked: _Asked, rows: slice, kept: list[Floats], local: Floats, links: Floats) -> None:
    """The walk backwards: fills in the posteriors of the group's faults, and what became of each leak."""
    present = asked.chance[rows]
    count = len(present)
    ahead = np.ones(count)
    for step, before in zip(reversed(group.steps), reversed(kept), strict=True):
        for axis in reversed(step.closed_axes):
            ahead = np.stack([np.zeros_like(ahead), ahead], axis=axis + 1)
        shown = _look_ahead(ahead, step, links)
        there = present[:, step.fault]
        with_fault = there * np.einsum("vk,vk->v", before.reshape(count, -1), shown.reshape(count, -1))
        without = (1.0 - there) * np.einsum("vk,vk->v", before.reshape(count, -1), ahead.reshape(count, -1))
        both = with_fault + without
        asked.answer[rows, step.fault] = with_fault / np.where(both > 0, both, 1.0)
        there = _wide(there, ahead.ndim)
        ahead = (1.0 - there) * ahead + there * shown
        if step.opened:
            joint = before * ahead
            whole = joint.reshape(count, -1).sum(axis=1)
            for finding, axis in zip(step.opened, step.opened_axes, strict=True):
                dark = joint[(slice(None),) * (axis + 1) + (0, ...)].reshape(count, -1).sum(axis=1)
                asked.unlit[rows, finding] = dark / np.where(whole > 0, whole, 1.0)
        for finding in reversed(step.opened):
            ahead = (ahead * _across(local[:, finding], ahead.ndim - 1)).sum(axis=-1)
        largest = ahead.reshape(count, -1).max(axis=1)
        ahead = ahead / _wide(np.where(largest > 0, largest, 1.0), ahead.ndim)


def _wide(values: Floats, dimensions: int) -> Floats:
    """One number per variant, shaped to multiply an array of so many dimensions."""
    return values.reshape(values.shape + (1,) * (dimensions - 1))


def _across(pairs: Floats, dimensions: int) -> Floats:
    """A pair per variant, shaped to open a last axis behind an array of so many dimensions."""
    return pairs.reshape(pairs.shape[:1] + (1,) * (dimensions - 1) + pairs.shape[1:])


def _explain(held: Floats, step: Step, links: Floats) -> Floats:
    """Weights after the fault of this step is present: "not yet" moves to "explained"."""
    moved = held.copy()
    for axis, finding in zip(step.axes, step.findings, strict=True):
        link = _wide(links[:, step.fault, finding], moved.ndim - 1)
        not_yet = moved[(slice(None),) * (axis + 1) + (0, ...)]
        explained = moved[(slice(None),) * (axis + 1) + (1, ...)]
        explained += link * not_yet
        not_yet *= 1.0 - link
    return moved


def _look_ahead(ahead: Floats, step: Step, links: Floats) -> Floats:
    """The transpose of :func:`_explain`."""
    moved = ahead.copy()
    for axis, finding in zip(step.axes, step.findings, strict=True):
        link = _wide(links[:, step.fault, finding], moved.ndim - 1)
        not_yet = moved[(slice(None),) * (axis + 1) + (0, ...)]
        not_yet *= 1.0 - link
        not_yet += link * moved[(slice(None),) * (axis + 1) + (1, ...)]
    return moved
