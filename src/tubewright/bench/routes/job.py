"""What all pages of one job share: the frame around them, and the last verdict beside them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import Depends, Path, Request, Response

from tubewright.bench.judging import outdated
from tubewright.bench.pages import Bench, bench_of, form_of, page
from tubewright.bench.pictures import figure_of
from tubewright.bench.security import Form
from tubewright.bench.stored import answer_from_json
from tubewright.errors import InputError
from tubewright.records.model import JobPage
from tubewright.report.charts import condition_chart

TheBench = Annotated[Bench, Depends(bench_of)]
TheForm = Annotated[Form, Depends(form_of)]
Id = Annotated[int, Path(ge=1, le=2**31 - 1)]


def job_page(
    request: Request, template: str, job: JobPage, part: str, *, status: int = 200, **more: object
) -> Response:
    """Draw a page inside the frame of its job."""
    return page(
        request,
        template,
        status=status,
        job=job,
        part=part,
        base=f"/jobs/{job.job.id}",
        tallies=_tallies(job),
        **more,
    )


def _tallies(job: JobPage) -> Mapping[str, int]:
    return {
        "Readings": len(job.readings),
        "Symptoms": len({o.symptom.id for o in job.observations if o.symptom is not None}),
        "Tests": sum(o.test is not None for o in job.observations),
        "Repairs": len(job.repairs),
        "Treatments": len(job.treatments),
        "Set-up": len(job.moves),
        "Picture": len(job.measurements) or len(job.photos),
        "Verdict": len(job.verdicts),
    }


def standing(request: Request, bench: Bench, job: JobPage) -> dict[str, Any]:
    """The last verdict with its picture, and whether something changed since."""
    latest = job.verdicts[-1] if job.verdicts else None
    if latest is None:
        return {"latest": None, "outdated": False, "condition": None}
    picture = None
    try:
        answer = answer_from_json(latest.answer_json)
        picture = figure_of(
            request,
            f"/jobs/{job.job.id}/verdicts/{latest.id}/condition.svg",
            lambda theme, size: condition_chart(answer, theme=theme, size=size),
            narrow_only=True,
        )
    except InputError:  # shown where the verdict itself is opened
        picture = None
    return {
        "latest": latest,
        "outdated": outdated(latest, bench.store.case_of(job.job.id)),
        "condition": {"figure": picture} if picture else None,
    }
