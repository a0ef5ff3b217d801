"""A small hand-made catalogue for the tests of judgement; its figures are invented."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal

from tubewright.case import Case
from tubewright.knowledge.model import BenchTest, Constant, FaultCause, Hazard, Knowledge, NamedResult, Symptom


def symptom(name: str, leak: float = 0.01) -> Symptom:
    return Symptom(
        id=name,
        owner_says=name,
        technician_says=name,
        photo="none",
        leak_probability=leak,
        kind="from memory",
        source="test",
    )


def fault(
    name: str, per_1000: float, shows: Mapping[str, float], *, subsystem: str = "video", minutes: float = 20
) -> FaultCause:
    return FaultCause(
        id=name,
        name=name.replace("_", " "),
        subsystem=subsystem,
        per_1000=per_1000,
        shows=shows,
        confirmed_by={},
        repair="mend it",
        minutes=minutes,
        parts=("c1",),
        hazard="H2",
        cautions=(),
        kind="from memory",
        source="test",
    )


def bench_test(
    name: str,
    *results: NamedResult,
    minutes: float = 5,
    hazard: Hazard = "H0",
    running: bool = False,
    gate: bool = False,
    usual_nominal: float | None = None,
) -> BenchTest:
    return BenchTest(
        id=name,
        name=name.replace("_", " "),
        how="do it",
        minutes=minutes,
        hazard=hazard,
        running=running,
        results=results,
        cautions=("mind_it",),
        kind="from memory",
        source="test",
        gate=gate,
        usual_nominal=usual_nominal,
    )


def result(
    name: str,
    ratios: Mapping[str, float] | None = None,
    *,
    quantity: Literal["value", "ratio", "none"] = "none",
    unit: str = "",
    at_least: float | None = None,
    below: float | None = None,
    refines: str = "",
) -> NamedResult:
    return NamedResult(
        id=name,
        means=name.replace("_", " "),
        odds_ratios=ratios or {},
        quantity=quantity,
        unit=unit,
        at_least=at_least,
        below=below,
        refines=refines,
    )


def catalogue(symptoms: list[Symptom], faults: list[FaultCause], tests: list[BenchTest]) -> Knowledge:
    return Knowledge(
        sources={},
        constants={
            "sitting_days": Constant(
                id="sitting_days", value=7, unit="d", kind="from memory", source="s", locator="", means="one sitting"
            )
        },
        cautions={},
        hazards={},
        symptoms={s.id: s for s in symptoms},
        faults={f.id: f for f in faults},
        tests={t.id: t for t in tests},
        treatments={},
        phosphors={},
        labels={},
    )


SMALL: Final = catalogue(
    [symptom("dim"), symptom("buzz"), symptom("tint"), symptom("ghost", 0.001)],
    [
        fault("tube_worn", 200, {"dim": 0.7, "tint": 0.3}, subsystem="tube", minutes=90),
        fault("tube_marked", 200, {"ghost": 1.0}, subsystem="tube", minutes=10),
        fault("g2_low", 15, {"dim": 0.6}, minutes=30),
        fault("cap_dry", 40, {"buzz": 0.8, "dim": 0.2}, subsystem="mains_supply", minutes=20),
    ],
    [
        bench_test(
            "t_emission",
            result("all_low", {"tube_worn": 5.0}),
            result("one_low", {"tube_worn": 2.0}),
            result("all_good", {"tube_worn": 0.05}),
            minutes=8,
            hazard="H2",
            running=True,
        ),
        bench_test(
            "t_leak_hk",
            result("short", {"tube_worn": 3.0}, quantity="value", unit="Mohm", below=0.05),
            result("sound", {"tube_worn": 0.5}, quantity="value", unit="Mohm", at_least=20.0),
        ),
        bench_test(
            "t_slump",
            result("large", {"tube_worn": 5.0}, quantity="value", unit="ratio", below=0.75),
            result("middling", quantity="value", unit="ratio", at_least=0.75, below=0.9),
            result("small", {"tube_worn": 0.2}, quantity="value", unit="ratio", at_least=0.9),
        ),
        bench_test(
            "t_cutoff",
            result("spread", {"tube_worn": 2.0}, quantity="value", unit="ratio", at_least=1.4),
            result("even", {"tube_worn": 0.5}, quantity="value", unit="ratio", below=1.25),
        ),
        bench_test(
            "d_g2",
            result("low", {"g2_low": 5.0}, quantity="ratio", below=0.7),
            result("right", {"g2_low": 0.05}, quantity="ratio", at_least=0.85, below=1.15),
            result("low_and_stays", {"g2_low": 20.0}, refines="low"),
            minutes=3,
            hazard="H3",
            running=True,
        ),
        bench_test(
            "s_ripple",
            result("mains_rate", {"cap_dry": 20.0}),
            result("clean", {"cap_dry": 0.2}),
            hazard="H2",
            running=True,
        ),
        bench_test("p_cap_value", result("dried", {"cap_dry": 20.0}), result("in_range", {"cap_dry": 0.2})),
        bench_test("v_getter", result("white", {"tube_worn": 1.5}), result("dark")),
        bench_test("p_discharge", result("proven"), gate=True),
    ],
)
"""Four faults, four symptoms and tests of every make."""


def case(**parts: object) -> Case:
    return Case.model_validate({"format": 1, **parts})
