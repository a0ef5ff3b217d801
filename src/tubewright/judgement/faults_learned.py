"""What a shop's own closed jobs change in the general figures on faults.

How often a fault comes, and how often it shows a symptom or brings about a test
result, are Beta distributions: the general figure counts as so many jobs, and the
shop's own are added to them.

A symptom seen in a job with two confirmed faults is not counted for both. It is
shared out by responsibility: how likely each of them, and whatever lies outside the
catalogue, was at work, given that it was seen (one step of expectation and
maximisation from the general figures).

Nothing is kept: the figures are worked out anew from the closed jobs each time, so
that a job which is struck out takes its lesson with it.

Source: Beta-binomial updating is textbook; expectation and maximisation for noisy-OR
as in Dempster, Laird and Rubin, Journal of the Royal Statistical Society B 39 (1977)
1-38 (from memory).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from tubewright.experience import Experience, MendedJob
from tubewright.judgement.evidence import result_as_finding
from tubewright.judgement.outcomes import outcomes_of
from tubewright.knowledge.model import BenchTest, Knowledge, NamedResult

PRIOR_WORTH_JOBS: Final = 100.0
"""So many jobs the general figure of how often a fault comes is worth (from memory, estimate)."""
LINK_WORTH_JOBS: Final = 10.0
"""So many jobs the general figure of how often a fault shows something is worth (from memory, estimate)."""
SILENCE_IS_ABSENCE: Final = 0.3
"""Chance that a symptom nobody marked in a job was looked for and not there (from memory, estimate)."""
NEW_LINK: Final = 0.02
"""Chance that a fault shows a symptom which the catalogue doesn't connect with it (from memory, estimate)."""
NEW_LINK_JOBS: Final = 2
"""Jobs that must have shown the same before a new connection counts: one is hearsay (from memory, estimate)."""

FigureSort = Literal["how_often", "symptom", "result"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnFigure:
    """One figure that the shop's own jobs have moved.

    ``about`` is "" for how often the fault comes, a symptom's id, or ``test/result``.
    ``jobs`` are the closed jobs that had a say in it.
    """

    fault: str
    sort: FigureSort
    about: str
    ours_probability: float
    general_probability: float
    jobs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedFaults:
    """The catalogue with the shop's own experience weighed in, and every figure that differs."""

    knowledge: Knowledge
    figures: tuple[OwnFigure, ...]
    jobs: int
    words: str


def learn_faults(knowledge: Knowledge, experience: Experience) -> LearnedFaults:
    """Weigh the shop's closed jobs into the figures on faults.

    Args:
        knowledge: The general figures.
        experience: What the shop's closed jobs taught; jobs without a fault of the
            catalogue confirmed count for nothing here.

    Returns:
        The catalogue to diagnose with. Without such jobs it is the one given.
    """
    jobs = [_known(job, knowledge) for job in experience.mended]
    jobs = [job for job in jobs if job.faults]
    if not jobs:
        return LearnedFaults(
            knowledge=knowledge,
            figures=(),
            jobs=0,
            words="All figures on faults are the trade's general ones; no closed job of this shop names its fault yet.",
        )
    figures: list[OwnFigure] = []
    faults = dict(knowledge.faults)
    shown = _symptom_counts(jobs, knowledge)
    for fault in knowledge.faults.values():
        found = sum(fault.id in job.faults for job in jobs)
        general = fault.per_1000 / 1000
        ours = (PRIOR_WORTH_JOBS * general + found) / (PRIOR_WORTH_JOBS + len(jobs))
        figures.append(_figure(fault.id, "how_often", "", ours, general, len(jobs)))
        shows = dict(fault.shows)
        for symptom, times in shown.get(fault.id, {}).items():
            link = fault.shows.get(symptom, 0.0)
            learned = times.mean(link or NEW_LINK)
            shows[symptom] = learned
            figures.append(_figure(fault.id, "symptom", symptom, learned, link, times.jobs))
        faults[fault.id] = replace(fault, per_1000=1000 * ours, shows=shows)
    tests = {name: _learned_test(test, jobs, figures) for name, test in knowledge.tests.items()}
    count = len(jobs)
    return LearnedFaults(
        knowledge=replace(knowledge, faults=faults, tests=tests),
        figures=tuple(figures),
        jobs=count,
        words=(
            f"{count} closed job{'' if count == 1 else 's'} of this shop that name{'s' if count == 1 else ''} the "
            f"fault weigh{'s' if count == 1 else ''} in; the general figures count as {PRIOR_WORTH_JOBS:g} jobs on "
            f"how often a fault comes, and as {LINK_WORTH_JOBS:g} on what it shows."
        ),
    )


@dataclass(slots=True)
class _Count:
    """Times a fault showed something, of the times it could have."""

    shown: float = 0.0
    of: float = 0.0
    jobs: int = 0

    def mean(self, general: float) -> float:
        """The general figure, worth so many jobs, with these times added."""
        return (LINK_WORTH_JOBS * general + self.shown) / (LINK_WORTH_JOBS + self.of)


def _known(job: MendedJob, knowledge: Knowledge) -> MendedJob:
    """The job without ids that the catalogue doesn't hold: they belong to another version or another shop."""
    return MendedJob(
        faults=tuple(dict.fromkeys(f for f in job.faults if f in knowledge.faults)),
        excluded=job.excluded,
        present=tuple(dict.fromkeys(s for s in job.present if s in knowledge.symptoms)),
        absent=tuple(dict.fromkeys(s for s in job.absent if s in knowledge.symptoms)),
        results=tuple(
            (test, result)
            for test, result in dict.fromkeys(job.results)
            if test in knowledge.tests and any(r.id == result for r in knowledge.tests[test].results)
        ),
    )


def _figure(fault: str, sort: FigureSort, about: str, ours: float, general: float, jobs: int) -> OwnFigure:
    return OwnFigure(fault=fault, sort=sort, about=about, ours_probability=ours, general_probability=general, jobs=jobs)


def _symptom_counts(jobs: Sequence[MendedJob], knowledge: Knowledge) -> dict[str, dict[str, _Count]]:
    """For each fault and symptom, how often it was shown; symptoms are shared out between confirmed faults."""
    together: dict[tuple[str, str], int] = defaultdict(int)
    for job in jobs:
        for fault in job.faults:
            for symptom in job.present:
                together[fault, symptom] += 1

    def link(fault: str, symptom: str) -> float:
        known = knowledge.faults[fault].shows.get(symptom, 0.0)
        return known or (NEW_LINK if together[fault, symptom] >= NEW_LINK_JOBS else 0.0)

    counts: dict[str, dict[str, _Count]] = {}
    for job in jobs:
        for symptom in job.present:
            shares = _shared(
                {fault: link(fault, symptom) for fault in job.faults}, knowledge.symptoms[symptom].leak_probability
            )
            for fault, share in shares.items():
                _add(counts, fault, symptom, share, 1.0)
        for fault in job.faults:
            for symptom in knowledge.faults[fault].shows:
                if symptom in job.absent:
                    _add(counts, fault, symptom, 0.0, 1.0)
                elif symptom not in job.present:
                    _add(counts, fault, symptom, 0.0, SILENCE_IS_ABSENCE)
    return counts


def _shared(links: Mapping[str, float], leak: float) -> dict[str, float]:
    """How likely each cause was at work, given that the thing was seen."""
    hidden = 1.0 - leak
    for chance in links.values():
        hidden *= 1.0 - chance
    return {cause: chance / (1.0 - hidden) for cause, chance in links.items() if chance > 0}


def _add(counts: dict[str, dict[str, _Count]], fault: str, about: str, shown: float, of: float) -> None:
    count = counts.setdefault(fault, {}).setdefault(about, _Count())
    count.shown += shown
    count.of += of
    count.jobs += 1


def _learned_test(test: BenchTest, jobs: Sequence[MendedJob], figures: list[OwnFigure]) -> BenchTest:
    """The test with the factors of its results moved by the jobs in which it was taken."""
    taken = [
        (job.faults, {result for name, result in job.results if name == test.id})
        for job in jobs
        if any(name == test.id for name, _ in job.results)
    ]
    if not taken:
        return test
    shares = {outcome.result: outcome.share for outcome in outcomes_of(test.results)}
    results = []
    for result in test.results:
        moved = dict(result.odds_ratios)
        for fault, ratio, count, general, ours in _moved(result, taken, test.results, shares):
            moved[fault] = ratio
            figures.append(_figure(fault, "result", f"{test.id}/{result.id}", ours, general, count))
        results.append(replace(result, odds_ratios=moved))
    return replace(test, results=tuple(results))


def _moved(
    result: NamedResult,
    taken: Sequence[tuple[Collection[str], Collection[str]]],
    results: Sequence[NamedResult],
    shares: Mapping[str, float],
) -> Iterator[tuple[str, float, int, float, float]]:
    """Fault, new factor, jobs, and the chances of this result with that fault, general and ours.

    What a result says for a fault is the chance that the fault brings it about, shared
    out as a symptom is; what it says against one is how seldom it comes all the same.
    How often it comes without any of its faults is taken as the catalogue implies it.
    """
    accusing = {fault: ratio for fault, ratio in result.odds_ratios.items() if ratio > 1}
    leak, links = result_as_finding(accusing) if accusing else (1.0, {})
    refined = {other.id for other in results if other.refines == result.id}
    counts: dict[str, _Count] = {}
    for faults, found in taken:
        mine = [fault for fault in faults if fault in result.odds_ratios]
        if not mine or (result.id not in found and not refined.isdisjoint(found)):
            continue  # a narrower result has taken its place, which says nothing of this one
        seen = result.id in found
        shared = _shared({fault: links[fault] for fault in mine if fault in links}, leak) if seen else {}
        for fault in mine:
            count = counts.setdefault(fault, _Count())
            count.shown += shared.get(fault, 0.0) if fault in links else float(seen)
            count.of += 1.0
            count.jobs += 1
    for fault, count in counts.items():
        if fault in links:
            link = count.mean(links[fault])
            yield (fault, (1.0 - (1.0 - leak) * (1.0 - link)) / leak, count.jobs, links[fault], link)
        else:
            general = result.odds_ratios[fault] * shares[result.id]
            ours = count.mean(general)
            yield fault, min(1.0, ours / shares[result.id]), count.jobs, general, min(ours, shares[result.id])
