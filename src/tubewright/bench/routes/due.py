"""What is due at the shop: tubes to be read again, jobs that wait too long, and how gains held in the long run."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from tubewright.answers.due import Due
from tubewright.bench.dueing import Dues
from tubewright.bench.pages import Bench, page
from tubewright.bench.routes.job import TheBench

router = APIRouter(include_in_schema=False)
AHEAD_DAYS = {"": 0.0, "week": 7.0, "month": 30.0}
"""How far ahead the page looks."""


def due_now(request: Request, bench: Bench, *, ahead_days: float = 0.0, at_hand: bool = False) -> Due:
    """What is due, as kept until something in the records changes; ``at_hand`` as for :meth:`Dues.due`."""
    dues: Dues = request.app.state.dues
    return dues.due(bench.store, bench.knowledge, ahead_days=ahead_days, at_hand=at_hand)


@router.get("/due")
def due_page(request: Request, bench: TheBench, ahead: str = "") -> Response:
    """Everything that is due, the longest overdue first."""
    chosen = ahead if ahead in AHEAD_DAYS else ""
    found = due_now(request, bench, ahead_days=AHEAD_DAYS[chosen])
    return page(request, "treat_due.html", due=found, ahead=chosen)
