"""What the shelf gives to a board: the rules of substitution decide, need comes first, nothing is given twice."""

from __future__ import annotations

from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.judgement.capacitor_buy import Buy, what_to_buy
from tubewright.judgement.capacitor_part import CapacitorPart
from tubewright.judgement.capacitor_wear import BoardPart
from tubewright.judgement.stock_fit import ShelfPart, Wanted, capacitor_of, fitting, serve
from tubewright.judgement.substitution import judge_substitution
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()
WAS: Final = CapacitorPart(kind="electrolytic", capacitance_uf=100, rated_v=160, temperature_c=85, ripple_a=0.3)


def low_esr(uf: float, volts: float, **more: object) -> CapacitorPart:
    fields = {"temperature_c": 105.0, "ripple_a": 0.5, **more}
    return CapacitorPart(kind="electrolytic_low_esr", capacitance_uf=uf, rated_v=volts, **fields)  # type: ignore[arg-type]


def wanted(ref: str = "C1", part: CapacitorPart = WAS, place: str = "rail", **more: float) -> Wanted:
    buy = what_to_buy(part, place, KNOWLEDGE)
    return Wanted(
        part=BoardPart(line=1, ref=ref, part=part, place=place), buy=buy if isinstance(buy, Buy) else None, **more
    )


def shelf(*parts: tuple[CapacitorPart, int], costs: tuple[float, ...] = ()) -> list[ShelfPart]:
    return [
        ShelfPart(key=key, part=part, free=free, cost=costs[key - 1] if costs else None)
        for key, (part, free) in enumerate(parts, start=1)
    ]


@pytest.mark.parametrize(
    ("part", "place", "fits"),
    [
        (low_esr(100, 160), "rail", True),
        (low_esr(100, 200), "rail", True),
        (low_esr(120, 160), "rail", True),  # within 20 %
        (low_esr(150, 160), "rail", False),
        (low_esr(100, 100), "rail", False),  # too little voltage
        (low_esr(100, 160, temperature_c=85.0), "rail", False),
        (low_esr(100, 160, ripple_a=0.2), "rail", False),
        (low_esr(100, 160, made_years=20.0), "rail", False),  # as old as what it would replace
        (CapacitorPart(kind="electrolytic", capacitance_uf=100, rated_v=160, temperature_c=105), "rail", False),
        (CapacitorPart(kind="", capacitance_uf=100, rated_v=160), "rail", False),  # nobody said what it is
    ],
)
def test_the_rules_of_the_place_decide(part: CapacitorPart, place: str, fits: bool) -> None:
    found = fitting(wanted(place=place), shelf((part, 5)), KNOWLEDGE)
    assert bool(found) is fits
    assert (judge_substitution(WAS, part, place, KNOWLEDGE).verdict != "refused") is fits


def test_what_is_never_altered_gets_only_the_very_same() -> None:
    was = CapacitorPart(
        kind="film_pulse", capacitance_uf=0.0068, rated_v=1600, pulse_v_per_us=2000, mark="QX 6n8", tolerance_percent=5
    )
    near = CapacitorPart(kind="film_pulse", capacitance_uf=0.0082, rated_v=1600, pulse_v_per_us=2000)
    held = fitting(wanted(part=was, place="retrace_tuning"), shelf((near, 3), (was, 1)), KNOWLEDGE)
    assert [offer.shelf.key for offer in held] == [2]
    assert any("Measure the new part" in one.words for one in held[0].substitution.objections)


def test_the_better_offer_comes_first() -> None:
    held = shelf((low_esr(120, 160), 1), (low_esr(100, 250), 1), (low_esr(100, 160), 1), (low_esr(100, 160), 1),
                 costs=(0.1, 0.1, 0.4, 0.2))  # fmt: skip
    order = [offer.shelf.key for offer in fitting(wanted(), held, KNOWLEDGE)]
    assert order == [4, 3, 2, 1], "the same value, then the lower voltage, then the cheaper; a remark comes last"


def test_need_comes_first_and_the_rest_is_ordered() -> None:
    found = serve([wanted("C1"), wanted("C2"), wanted("C3")], shelf((low_esr(100, 160), 2)), KNOWLEDGE)
    assert [one.given is not None for one in found.served] == [True, True, False]
    assert found.taken == {1: ("C1", "C2")}
    assert (found.again, found.new) == ({1: ("C3",)}, ()), "more of the same is bought, not something new"
    (line,) = found.to_order
    assert (line.count, line.refs, line.kind, line.capacitance_uf) == (1, ("C3",), "electrolytic_low_esr", 100)
    assert found.served[2].offers, "what would fit is still named, though all of it is spoken for"


def test_what_stands_there_counts() -> None:
    assert not fitting(wanted(stands_at_v=170), shelf((low_esr(100, 160), 1)), KNOWLEDGE)


def test_an_unknown_place_is_judged_as_the_strictest_for_the_kind() -> None:
    named = fitting(wanted(place="rail"), shelf((low_esr(100, 160), 1)), KNOWLEDGE)
    unnamed = fitting(wanted(place=""), shelf((low_esr(100, 160), 1)), KNOWLEDGE)
    assert [one.substitution.verdict for one in unnamed] == [one.substitution.verdict for one in named]
    assert not fitting(wanted(part=CapacitorPart(capacitance_uf=1), place=""), shelf((low_esr(1, 160), 1)), KNOWLEDGE)


def test_an_item_of_the_stock_becomes_the_capacitor_that_it_is() -> None:
    attributes = {
        "capacitance_uf": 47, "voltage_v": 50.0, "temp_c": 105, "ripple_a": 0.25, "esr_ohm": 0.3, "lead_mm": 5,
        "life_h": 5000, "polar": True, "made_year": 2016, "mark": "LX", "safety_class": "", "tolerance_percent": 20,
    }  # fmt: skip
    part = capacitor_of("electrolytic_low_esr", attributes, KNOWLEDGE, this_year=2026)
    assert part == CapacitorPart(
        kind="electrolytic_low_esr", capacitance_uf=47, rated_v=50, polar=True, temperature_c=105, ripple_a=0.25,
        esr_ohm=0.3, pitch_mm=5, life_hours=5000, made_years=10, mark="LX", tolerance_percent=20,
    )  # fmt: skip
    odd: dict[str, object] = {"capacitance_uf": "47", "voltage_v": float("nan"), "temp_c": -1, "polar": "yes"}
    assert capacitor_of("capacitor", odd, KNOWLEDGE, this_year=2026) == CapacitorPart()


VALUES: Final = st.sampled_from([22.0, 47.0, 82.0, 100.0, 120.0])
VOLTS: Final = st.sampled_from([100.0, 160.0, 250.0])


@given(
    parts=st.lists(st.tuples(VALUES, VOLTS, st.integers(0, 3)), max_size=6),
    board=st.lists(st.tuples(VALUES, VOLTS), max_size=8),
)
def test_nothing_is_given_twice_and_nothing_is_lost(
    parts: list[tuple[float, float, int]], board: list[tuple[float, float]]
) -> None:
    held = shelf(*((low_esr(uf, volts), free) for uf, volts, free in parts))
    asked = [
        wanted(f"C{number}", CapacitorPart(kind="electrolytic", capacitance_uf=uf, rated_v=volts, temperature_c=85))
        for number, (uf, volts) in enumerate(board)
    ]
    found = serve(asked, held, KNOWLEDGE)
    for lying in held:
        assert len(found.taken.get(lying.key, ())) <= lying.free
    given = sum(one.given is not None for one in found.served)
    assert given == sum(len(refs) for refs in found.taken.values())
    ordered = {ref for line in found.to_order for ref in line.refs}
    bought = {ref for refs in found.again.values() for ref in refs} | {ref for line in found.new for ref in line.refs}
    assert bought == ordered
    assert ordered == {one.wanted.part.ref for one in found.served if one.given is None and one.wanted.buy is not None}
    for one in found.served:
        if one.given is not None:
            verdict = judge_substitution(one.wanted.part.part, one.given.shelf.part, "rail", KNOWLEDGE).verdict
            assert verdict != "refused"
        elif one.offers:
            assert all(len(found.taken.get(x.shelf.key, ())) == max(0, x.shelf.free) for x in one.offers)
