"""Judging a job of the shop and keeping the verdict: for the page's button, and for the demo shop."""

from __future__ import annotations

import json
from dataclasses import replace

from tubewright.answers.assessment import to_json
from tubewright.bench.pages import Bench
from tubewright.case import Case
from tubewright.records.model import JobPage, VerdictRecord


def case_text(case: Case) -> str:
    """The case as JSON text, the same text for the same case."""
    return case.model_dump_json(exclude_none=True)


def outdated(verdict: VerdictRecord, case: Case) -> bool:
    """Whether the case has changed since the verdict was given."""
    return verdict.case_json != case_text(case)


def judge_job(bench: Bench, job_id: int, *, by: int | None) -> VerdictRecord:
    """Judge a job as it stands and keep the verdict; the same answer again is not kept twice.

    Raises:
        UnknownRecordError: There is no such job.
    """
    case = bench.store.case_of(job_id)
    answer = bench.assess(case, bench.knowledge, bench.store.experience())
    body = json.dumps(to_json(answer), ensure_ascii=False, separators=(",", ":"))
    verdicts = bench.store.job(job_id).verdicts
    if verdicts and verdicts[-1].answer_json == body and not outdated(verdicts[-1], case):
        return verdicts[-1]
    return bench.store.save_verdict(
        job_id,
        case_json=case_text(case),
        answer_json=body,
        model_version=answer.model.version,
        seed=answer.model.seed,
        decision=answer.decision,
        headline=answer.headline,
        by=by,
    )


def judge_unjudged(bench: Bench) -> int:
    """Give every job of the shop that has no verdict its first one, dated as the job; gives their number.

    For the demo shop, whose records are invented but whose verdicts are the program's own.
    """
    judged = 0
    for state in ("closed", "waiting", "open"):
        for row in reversed(_rows(bench, state)):
            page: JobPage = bench.store.job(row)
            if not page.verdicts:
                at = page.job.closed_at or page.job.changed_at
                dated = bench.store.with_clock(lambda at=at: at)  # type: ignore[misc] # mypy can't infer the default
                judge_job(replace(bench, store=dated), row, by=None)
                judged += 1
    return judged


def _rows(bench: Bench, state: str) -> list[int]:
    from tubewright.records.model import JOB_STATES

    chosen = next(s for s in JOB_STATES if s == state)
    return [row.job_id for row in bench.store.board(state=chosen, size=100).rows]
