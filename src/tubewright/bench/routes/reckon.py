"""The index of the calculators, each filled from a display's profile where one is named."""

from __future__ import annotations

from typing import Final

from fastapi import APIRouter, Request, Response
from starlette.routing import Match

from tubewright.bench.pages import page
from tubewright.bench.routes.job import TheBench

router = APIRouter(include_in_schema=False)

CALCULATORS: Final = (
    (
        "/reckon/afc",
        "Horizontal AFC and top curl",
        "How far the top of the picture bends, and which part straightens it.",
    ),
    (
        "/reckon/supply",
        "Supply and ripple",
        "Ripple of a rectifier and its reservoir, what it does to the picture, and the value a filter needs.",
    ),
    (
        "/reckon/anode",
        "Anode charge and voltage",
        "How much charge the tube keeps, how long draining takes, and whether a change would raise the anode voltage.",
    ),
    ("/reckon/recap", "Recap list", "From a board's part list to an order list, and what to replace first."),
    (
        "/reckon/source",
        "Source and input",
        "Whether a source's sync and video fit this input, and what to add where they don't.",
    ),
    ("/heater", "Heater", "True RMS of a pulsed supply, a series resistor, turns of a winding."),
)


@router.get("/reckon")
def reckon(request: Request, bench: TheBench, chassis: str = "") -> Response:
    """The calculators that this bench has."""
    profile = bench.knowledge.chassis.get(chassis)
    filled = f"?chassis={profile.id}" if profile else ""
    return page(
        request,
        "reckon.html",
        calculators=[
            (to if to == "/heater" else to + filled, name, says)
            for to, name, says in CALCULATORS
            if _is_there(request, to)
        ],
        profile=profile,
        profiles=list(bench.knowledge.chassis.values()),
    )


def _is_there(request: Request, address: str) -> bool:
    """Whether this bench has a page at an address."""
    asked = {"type": "http", "method": "GET", "path": address, "root_path": "", "headers": []}
    return any(route.matches(asked)[0] is Match.FULL for route in request.app.routes)
