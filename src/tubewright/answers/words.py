"""The answer of ``assess`` in words: headline, plan, states, next steps with their cautions."""

from __future__ import annotations

from typing import Final, get_args

import numpy as np

from tubewright.answers.assessment import NextStep, PlanStep, Remark, as_decision
from tubewright.answers.reckoning import Reckoning
from tubewright.case import GUNS, Gun, ReadingKind, TreatmentKind
from tubewright.judgement.diagnosis import SuspectedFault
from tubewright.judgement.policy import Plan
from tubewright.judgement.situation import Rung
from tubewright.judgement.weighing import FIND_FAULT
from tubewright.knowledge.model import HANDS_IN, Hazard, Knowledge

OPTION_ORDER: Final = (
    "leave", "adjust", "clean_contacts", "soak", "run_in", "short_boost", "clean", "activate",
    "clear_short", "isolate_heater", "boost_heater", "swap_tube", "replace_display", "retire",
)  # fmt: skip

_NAMES: Final = {
    "leave": "leave the tube as it is",
    "adjust": "set grey scale and screen anew",
    "find_fault_first": "find the fault outside the tube first",
    "clean_contacts": "clean pins and contacts",
    "soak": "soak at rated heater, no beam",
    "run_in": "run in under a normal picture",
    "short_boost": "short mild heater boost",
    "clean": "low-current cleaning",
    "activate": "strong activation",
    "clear_short": "clear the short",
    "isolate_heater": "isolated heater feed",
    "boost_heater": "permanent heater boost",
    "swap_tube": "swap the tube",
    "replace_display": "replace the display",
    "retire": "retire for parts",
}


LEAKAGE_PAIRS: Final[dict[ReadingKind, str]] = {
    "leakage_heater_cathode": "heater to cathode",
    "leakage_cathode_grid1": "cathode to grid 1",
    "leakage_grid1_grid2": "grid 1 to grid 2",
}

_BEFORE_TREATING: Final = ("p_socket_clean", "t_leak_hk", "t_leak_kg1")
"""Tests to be done before a treatment where they would change the decision: after it they tell nothing."""

SURE_ENOUGH: Final = 0.8
"""Probability from which a suspect is confirmed and mended rather than tested for (from memory, estimate)."""


_VERBS: Final = {
    "soak": "soak",
    "run_in": "run in",
    "short_boost": "boost the heater for minutes",
    "clean": "clean with low current",
    "activate": "activate strongly",
}


def option_name(name: str) -> str:
    """An option in plain words."""
    return _NAMES[name]


def headline(r: Reckoning) -> str:
    """The answer in one sentence."""
    if r.obstacles.hard_stops:
        end = "swap the tube" if r.decision == "swap_tube" else "retire the tube for parts"
        return f"{r.obstacles.hard_stops[0]} So: {end}."
    if r.decision == FIND_FAULT:
        return _fault_headline(r)
    if r.obstacles.to_remove and r.decision in {x.kind for x in r.obstacles.to_remove[0].remedies}:
        helps = float(r.plan.steps[0].success.mean())
        return (
            f"{r.obstacles.to_remove[0].words} So: {_NAMES[r.decision]}; it helps in about {_percent(helps)} of cases."
        )
    if r.decision == "adjust" and r.complaint.heard and r.complaint.by_adjusting:
        return (
            f"Set it anew: {r.complaint.diagnosis.suspects[0].name} explains what is seen, and the tube can carry it."
        )
    known = any(r.condition.read)
    white = (
        f"the white is about {_percent(float(np.median(r.white_now)))} of a good tube's"
        if known
        else "the tube has not been read"
    )
    wanted = f"{_percent(r.minimum_white)} is wanted"
    guns = _gun_names(r)
    said = {
        "leave": f"Leave the tube as it is: {white}, and {wanted}.",
        "adjust": f"Set grey scale and screen anew: the guns are uneven, but {white}, and {wanted}.",
        "clean_contacts": f"Clean pins and contacts and read again before anything stronger: {white}, and {wanted}.",
        "swap_tube": f"Swap the tube: {white}, {wanted}, and treating it costs more than it is likely to bring.",
        "replace_display": f"Replace the display: {white}, {wanted}, and neither treatment nor another tube pays.",
        "retire": f"Retire it for parts: {white}, {wanted}, and nothing brings that back at a sensible price.",
        "boost_heater": f"Only a permanent heater boost is left: {white}, {wanted}, and it shortens what remains.",
    }
    if r.decision in said:
        return said[r.decision]
    return (
        f"Worth treating: {_VERBS[r.decision]}{guns} first, then read again before going on; {white}, {wanted}, "
        f"and the treatments bring it back in about {_percent(_chance_of_success(r.plan))} of cases."
    )


def plan_success(r: Reckoning) -> float | None:
    """Chance that the treatments of the plan, one after the other, bring the white back; none without such a plan."""
    return _chance_of_success(r.plan) if r.decision in _VERBS and not r.obstacles.hard_stops else None


def tube_comes_first(r: Reckoning) -> bool:
    """Whether reading the tube is the thing to do, rather than hunting for a fault elsewhere."""
    even = np.full(r.condition.particles, 1.0 / r.condition.particles)
    return r.weighing.reads_tube_first(even) or (r.weighing.read_tube is not None and not r.complaint.tests)


def _fault_headline(r: Reckoning) -> str:
    if r.consistency.withhold:
        wrong = next(o.words for o in r.consistency.objections if o.withhold)
        return f"{wrong} Nothing is decided on these readings: settle that first, then read the tube again."
    if tube_comes_first(r):
        return "Read the tube before deciding anything: no emission reading, no verdict."
    lead = _lead_elsewhere(r)
    name = f" ({lead.name}, {_percent(lead.probability)})" if lead else ""
    test = r.complaint.tests[0] if r.complaint.tests else None
    if lead is not None and lead.probability >= SURE_ENOUGH:
        quick = f" Confirm and mend it: {r.knowledge.faults[lead.id].minutes:g} min."
    else:
        quick = f" Quickest test that tells: {test.name}, {test.minutes:g} min." if test else ""
    unread = " Read the tube before money goes into the chassis." if r.weighing.read_tube is not None else ""
    also = r.complaint.diagnosis.probability_tube > 0.5
    what = "part of what is seen is not the tube's doing" if also else "what is seen points away from the cathodes"
    return f"Find the fault first: {what}{name}.{quick}{unread}"


def _lead_elsewhere(r: Reckoning) -> SuspectedFault | None:
    return next((s for s in r.complaint.diagnosis.suspects if not s.of_the_tube), None)


def plan_steps(r: Reckoning) -> tuple[PlanStep, ...]:
    """The plan as steps, each with the outcome that leads to it."""
    steps: list[PlanStep] = []
    reached = 1.0
    when = "now"
    if r.decision == FIND_FAULT:
        steps.append(_step(FIND_FAULT, (), when, 1.0, r))
        when = "once the fault is found and mended"
        if r.weighing.read_tube is not None:
            return tuple(steps)
    if r.decision == "adjust" and r.plan.first != "adjust":
        steps.append(_step("adjust", (), when, 1.0, r))
        when = "if that does not bring the picture back"
    weight = np.full(r.condition.particles, 1.0 / r.condition.particles)
    plan: Plan = r.plan
    limit = f"if the white is still under {_percent(r.minimum_white)} after that"
    for rung in plan.steps:
        steps.append(_step(rung.kind, rung.guns, when, reached, r))
        weight = weight * (1.0 - rung.success - rung.lost)
        reached = float(weight.sum())
        when = limit if rung.kind not in {"clear_short", "isolate_heater"} else "if that does not remove it"
    steps.append(_step(plan.end, (), when, reached, r))
    if plan.then is not None:
        gone = "once it is out of the way"
        steps += [_step(rung.kind, rung.guns, gone, 1.0 - reached, r) for rung in plan.then.steps[:1]]
    return tuple(steps)


def _step(name: str, guns: tuple[int, ...], when: str, reached: float, r: Reckoning) -> PlanStep:
    names = tuple(GUNS[g] for g in guns)
    what = option_name(name)
    whom = f" ({', '.join(names)})" if names else ""
    stop = ""
    if name in get_args(TreatmentKind):
        stop = " Stop: " + r.knowledge.treatments[name].stop_when
    return PlanStep(
        do=as_decision(name),
        guns=names,
        when=when,
        words=f"{what[0].upper()}{what[1:]}{whom}.{stop}",
        chance_reached=min(max(reached, 0.0), 1.0),
    )


def _chance_of_success(plan: Plan) -> float:
    weight = np.ones_like(plan.loss) / len(plan.loss)
    done = 0.0
    for rung in plan.steps:
        done += float((weight * rung.success).sum())
        weight = weight * (1.0 - rung.success - rung.lost)
    return done


def gun_state(r: Reckoning, g: int) -> str:
    """The state of one gun in words."""
    if not r.condition.read[g]:
        return "not read"
    k = r.knowledge
    emission = float(np.median(r.condition.relative_emission[:, g]))
    classes = (
        ("emission_strong", "strong"), ("emission_good", "good"), ("emission_fair", "fair"),
        ("emission_weak", "weak"), ("emission_dead", "very weak"),
    )  # fmt: skip
    state = next((name for level, name in classes if emission >= k.value(level)), "dead")
    extra: list[str] = []
    if r.condition.misread[:, g].mean() > 0.4:
        extra.append("but the low reading is doubtful: contacts, settings or something else than the cathode")
    elif emission < k.value("emission_good"):
        if r.condition.poisoned.mean() > 0.35:
            extra.append("perhaps poisoned by standing unused")
        if r.normal.guns[GUNS[g]].pairs:
            reserve = float(np.median(r.condition.reserve[:, g]))
            extra.append(
                "reserve nearly spent" if reserve < 1 else "some reserve left" if reserve < 5 else "reserve fair"
            )
    return ", ".join([state, *extra])


def gun_trend(r: Reckoning, gun: Gun) -> str:
    """How the readings of one gun move over the minutes."""
    trend = r.normal.guns[gun].trend_percent
    if trend is None:
        return "unknown"
    limit = 100 * r.knowledge.value("trend_notable")
    if trend >= limit:
        return f"still warming ({trend:+.0f} %)"
    if trend <= -limit:
        return f"sinking ({trend:+.0f} %)"
    return "holding"


def notes(r: Reckoning) -> tuple[Remark, ...]:
    """What else a person should know about the evidence."""
    found: list[Remark] = []
    for gun in GUNS:
        if gun_trend(r, gun).startswith("still"):
            found.append(Remark(kind="note", words=f"{gun} is still warming up.", mend="Read it again in 10 minutes."))
        elif gun_trend(r, gun).startswith("sinking"):
            found.append(
                Remark(
                    kind="note",
                    words=f"{gun} sinks while it is read: a spent cathode or gas.",
                    mend="Don't dwell on the reading; let it rest and read once more.",
                )
            )
    if r.normal.any_emission and r.normal.scale_kind in {"coarse", "assumed"}:
        found.append(
            Remark(
                kind="doubt",
                words=f"Scale: {r.normal.scale_words}.",
                mend="Read five guns known to be good on this instrument and enter them as its calibration.",
            )
        )
    if r.normal.rated_heater_assumed and r.normal.any_emission:
        found.append(
            Remark(
                kind="note",
                words=f"Rated heater voltage taken as {r.normal.rated_heater_v:g} V.",
                mend="Check the type list; some small tubes want about 12 V.",
            )
        )
    found += [
        Remark(kind="note", words=f"{words}.", mend="Give what is nominal, or take the test again.")
        for words in r.complaint.findings.silent
    ]
    found += [
        Remark(kind="doubt", words=f"{words}.", mend="Take the test again.") for words in r.complaint.findings.doubts
    ]
    return tuple(found)


def missing(r: Reckoning) -> tuple[str, ...]:
    """What was not given and widens the answer."""
    case, gaps = r.case, []
    for g, gun in enumerate(GUNS):
        if not r.condition.read[g]:
            gaps.append(f"emission of {gun} at rated heater")
        elif not r.normal.guns[gun].pairs:
            gaps.append(f"reduced-heater reading of {gun}")
    if any(r.normal.guns[gun].cutoff_v is None for gun in GUNS):
        gaps.append("cutoff of each gun at a stated grid 2 voltage")
    if not any(reading.kind.startswith("leakage") for reading in case.readings):
        gaps.append("leakage: heater to cathode, cathode to grid 1, grid 1 to grid 2")
    if case.tube.getter in {None, "unseen"}:
        gaps.append("state of the getter")
    if case.tube.service_hours is None:
        gaps.append("service hours of the tube, a best guess")
    if case.tube.restorations is None:
        gaps.append("earlier restorations of this tube")
    if case.use.hours_per_week is None:
        gaps.append(f"hours of use a week (assumed {r.hours_per_week:g})")
    if case.use.keep_years is None:
        gaps.append(f"years wanted (assumed {r.keep_years:g})")
    if case.use.minimum_white is None:
        gaps.append(f"least white wanted (assumed {_percent(r.minimum_white)} of a good tube's)")
    return (*gaps, *r.prices.assumed)


def next_steps(r: Reckoning) -> tuple[NextStep, ...]:
    """What to do now, each with its cautions and what to confirm first."""
    k = r.knowledge
    if r.decision == FIND_FAULT:
        hunt = [t.id for t in r.complaint.tests[:3]]
        if tube_comes_first(r):
            settling = [o.settled_by for o in r.consistency.objections if o.settled_by]
            names = dict.fromkeys([*settling, "v_getter", "t_emission", "t_slump", *hunt[:2]])
            return tuple(_test_step(k, name) for name in names)
        if r.weighing.read_tube is not None:
            hunt = list(dict.fromkeys([*hunt, "t_emission"]))
        lead = _lead_elsewhere(r)
        mend = (_repair_step(k, lead.id),) if lead is not None and lead.probability >= SURE_ENOUGH else ()
        return (*mend, *(_test_step(k, name) for name in hunt))
    if r.decision in get_args(TreatmentKind):
        facts = k.treatments[r.decision]
        first: Rung | None = r.plan.steps[0] if r.plan.steps else None
        guns = tuple(GUNS[g] for g in first.guns) if first else ()
        telling = {w.id for w in r.worths}
        return (
            *(_test_step(k, name) for name in _BEFORE_TREATING if name in telling),
            NextStep(
                id=r.decision,
                words=facts.how + (f" Guns: {', '.join(guns)}." if guns else ""),
                minutes=facts.attended_minutes,
                hazard=facts.hazard,
                **_cautions(k, facts.hazard, facts.cautions),
            ),
        )
    return _end_steps(r)


def _end_steps(r: Reckoning) -> tuple[NextStep, ...]:
    k = r.knowledge
    said: dict[str, tuple[str, Hazard, tuple[str, ...], float | None]] = {
        "leave": ("Leave the tube as it is; note the readings and read it again in a year.", "H0", (), None),
        "adjust": (
            (
                "Warm it up for half an hour, set the screen control and the cutoffs on black, then the drives on "
                "white: lower the stronger guns, never push the weakest past where it flattens."
            ),
            "H2",
            ("eht_live",),
            60 * k.value("adjust_hours"),
        ),
        "swap_tube": (
            "Swap the tube for one read as good; keep yoke and rings with the tube they were set on where you can.",
            "H4",
            HANDS_IN,
            60 * k.value("swap_hours"),
        ),
        "replace_display": (
            "Fit another display; keep this one's sound parts.",
            "H4",
            HANDS_IN,
            60 * k.value("replace_hours"),
        ),
        "retire": (
            (
                "Take it out of service: yoke, chassis and good parts go on the shelf, the tube face down into a box "
                "for licensed disposal."
            ),
            "H4",
            (*HANDS_IN, "lead_glass_dust"),
            60 * k.value("retire_hours"),
        ),
    }
    text, hazard, extra, minutes = said[r.decision]
    lead = "".join(f"{stop} " for stop in r.obstacles.hard_stops)
    return (NextStep(id=r.decision, words=lead + text, minutes=minutes, hazard=hazard, **_cautions(k, hazard, extra)),)


def _repair_step(k: Knowledge, fault_id: str) -> NextStep:
    fault = k.faults[fault_id]
    return NextStep(
        id=fault_id,
        words=f"Confirm and mend: {fault.name}. {fault.repair}",
        minutes=fault.minutes,
        hazard=fault.hazard,
        **_cautions(k, fault.hazard, fault.cautions),
    )


def _test_step(k: Knowledge, name: str) -> NextStep:
    test = k.tests[name]
    return NextStep(
        id=name,
        words=f"{test.name[0].upper()}{test.name[1:]}: {test.how}",
        minutes=test.minutes,
        hazard=test.hazard,
        **_cautions(k, test.hazard, test.cautions),
    )


def _cautions(k: Knowledge, hazard: Hazard, extra: tuple[str, ...]) -> dict[str, tuple[str, ...]]:
    ids = list(dict.fromkeys([*k.hazards[hazard].cautions, *extra]))
    return {
        "cautions": tuple(k.cautions[i].text for i in ids),
        "confirm": tuple(k.cautions[i].confirm for i in ids),
    }


def _gun_names(r: Reckoning) -> str:
    guns = r.plan.steps[0].guns if r.plan.steps else ()
    names = [GUNS[g] for g in guns]
    return " " + (" and ".join(names) if len(names) < 3 else "all three guns") if names else ""


def _percent(share: float) -> str:
    return "over 99 %" if 0.995 <= share < 1 else f"{100 * share:.0f} %"
