"""A case and a hand-made answer for the tests of the doors; the numbers mean nothing."""

from __future__ import annotations

from typing import Final

from tubewright.answers.assessment import (
    Assessment,
    GunAnswer,
    ModelNote,
    NextStep,
    OptionAnswer,
    PlanStep,
    Remark,
    Spread,
    Suspect,
    Unknown,
    WouldChange,
)
from tubewright.case import GUNS

SAMPLE_CASE: Final = """\
format = 1
[display]
label = "Pier arcade, machine 7"
diagonal_in = 19
scan_khz = 15.7
[tube]
label = "A48XYZ00X01"
heater_v = 6.3
service_hours = 26000
restorations = 0
getter = "silver"
[use]
hours_per_week = 6
keep_years = 5
minimum_white = 0.5
[costs]
currency = "EUR"
bench_rate_per_hour = 45
replacement_tube = 180
[[readings]]
gun = "red"
kind = "emission"
value = 0.33
unit = "rel"
heater_v = 6.3
[[readings]]
gun = "red"
kind = "emission"
value = 0.23
unit = "rel"
heater_v = 5.5
[[symptoms]]
id = "raster_dim_all"
"""


def sample_answer() -> Assessment:
    """An answer that has something in every field."""
    half = Spread(median=0.5, p10=0.4, p90=0.6)
    return Assessment(
        decision="soak",
        headline="Soak the red gun overnight, then read it again: the tube is worth keeping.",
        confidence=0.71,
        plan=(
            PlanStep(
                do="soak", guns=("red",), when="now", words="Run the heater at 6.3 V overnight.", chance_reached=1
            ),
            PlanStep(do="clean", guns=("red",), when="red stays under 0.45", words="Clean red.", chance_reached=0.7),
        ),
        plan_success=0.6,
        hard_stops=(),
        guns={
            gun: GunAnswer(
                gun=gun,
                relative_emission=half,
                emission_reserve=half,
                cutoff_v=Unknown(reason="no cutoff reading", would_settle="read the cutoff at a stated G2"),
                state="worn",
                trend="unknown",
                leakage={"heater to cathode": "sound"},
            )
            for gun in GUNS
        },
        neutral_white_now=half,
        neutral_white_after=half,
        minimum_white=0.5,
        keep_years=5,
        hours_per_week=6,
        currency="EUR",
        options=(
            OptionAnswer(
                id="soak",
                name="Soak",
                guns=("red",),
                success=0.55,
                hours=Spread(median=2000, p10=500, p90=4000),
                years=Spread(median=6, p10=1.5, p90=9),
                chance_of_keep_years=0.6,
                cost=40,
                cost_per_year=7,
                risk_of_loss=0.01,
            ),
            OptionAnswer(
                id="replace_display",
                name="Replace the display",
                guns=(),
                success=None,
                hours=Unknown(reason="no price", would_settle="a price"),
                years=Unknown(reason="no price", would_settle="a price"),
                chance_of_keep_years=None,
                cost=None,
                cost_per_year=None,
                risk_of_loss=None,
                why_not="no price given, so none can be had",
            ),
        ),
        would_change=(
            WouldChange(
                id="t_slump",
                name="reduced-heater reading",
                gun="red",
                at="under 0.60",
                value=0.6,
                unit="ratio",
                flips_to="swap_tube",
                chance=0.2,
                minutes=8,
                worth=12.5,
            ),
        ),
        suspects=(Suspect(id="tube_worn_one", name="one cathode worn", probability=0.9, of_the_tube=True),),
        remarks=(Remark(kind="note", words="All readings agree.", mend=""),),
        missing=("cutoff of each gun at a stated G2",),
        next_steps=(
            NextStep(
                id="soak",
                words="Run the heater at 6.3 V for 12 hours with no drive.",
                minutes=15,
                hazard="H2",
                cautions=("Mains and B+ are lethal.",),
                confirm=("Isolation transformer in use.",),
            ),
        ),
        model=ModelNote(version="0", seed=1, futures=1000, jobs_learned_from=0, own_share=0.0, words="All prior."),
    )
