"""A donor against a set, aspect by aspect: fits, needs its yoke, is adapted, never, or isn't known."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import pytest

from tubewright.judgement.donor import better_first, rank_key, weigh_way
from tubewright.judgement.donor_glass import condition
from tubewright.judgement.donor_tube import Aspect, Drive, SetFigures, Tube, Verdict, Way, YokeFrom, settled

PINS: Final = {"1": "focus", "5": "g1", "7": "g2", "9": "heater", "10": "heater"}
WANTED: Final = Tube(
    id="W1", diagonal_cm=46.0, size_is="viewable", face="sphere", picture="colour", heater_v=6.3, heater_a=0.65,
    neck_mm=29.1, base="ten", pins=PINS, gun="inline", g1="common", deflection_deg=90.0, anode_max_kv=27.5,
    focus="high", line_mh=1.25, line_ohm=1.4, field_mh=24.0, field_ohm=12.0, mount="ears", bolts_wide_mm=396.0,
    bolts_high_mm=304.0, band="tension",
)  # fmt: skip
SISTER: Final = replace(
    WANTED, id="S1", yoke=True, emission={"red": 0.9, "green": 0.95, "blue": 0.85}, neck_state="sound", getter="silver"
)
FIGURES: Final = SetFigures(
    eht_kv=24.0, eht_limit_kv=27.5, heater_source_v=6.3, heater_feed="parallel", drive="cathode", bplus_v=120.0,
    scan_khz=15.7, retrace_us=11.0,
)  # fmt: skip


def way(
    yoke_from: YokeFrom = "set",
    figures: SetFigures = FIGURES,
    wanted: Tube = WANTED,
    **other: Any,  # noqa: ANN401 - as varied as the fields of a tube
) -> Way:
    """The way of a donor that differs from the sister in what is named."""
    return weigh_way(wanted, replace(SISTER, **other), figures, yoke_from)[0]


def aspect(
    name: str,
    yoke_from: YokeFrom = "set",
    figures: SetFigures = FIGURES,
    wanted: Tube = WANTED,
    **other: Any,  # noqa: ANN401 - as varied as the fields of a tube
) -> Aspect:
    """One aspect of that way."""
    return next(one for one in way(yoke_from, figures, wanted, **other).aspects if one.id == name)


def test_a_sister_fits_as_it_is_and_as_a_set_in_less_time() -> None:
    own, moved = way("set"), way("donor")
    assert (own.verdict, moved.verdict) == ("fits", "with_yoke")
    assert own.minutes - moved.minutes == 90
    assert {one.verdict for one in own.aspects} == {"fits"}
    assert better_first((moved, own)) == (own, moved)


@pytest.mark.parametrize(
    ("name", "other", "set_says", "donor_says"),
    [
        ("neck", {"neck_mm": 22.5}, "never", "with_yoke"),
        ("neck", {"neck_mm": 28.9}, "fits", "fits"),
        ("neck", {"neck_mm": 36.5}, "never", "with_yoke"),
        ("neck", {"neck_state": "cracked"}, "never", "never"),
        ("angle", {"deflection_deg": 110.0}, "never", "with_yoke"),
        ("angle", {"deflection_deg": 91.0}, "fits", "fits"),
        ("size", {"diagonal_cm": 46.5}, "fits", "fits"),
        ("size", {"diagonal_cm": 48.0}, "adapt", "adapt"),
        ("size", {"diagonal_cm": 51.0}, "never", "never"),
        ("size", {"size_is": "nominal"}, "unknown", "unknown"),
        ("gun", {"gun": "delta"}, "never", "never"),
        ("gun", {"gun": "grille"}, "never", "never"),
        ("gun", {"gun": None, "picture": "mono"}, "never", "never"),
        ("gun", {"gun": None}, "unknown", "unknown"),
        ("g1", {"g1": "split"}, "adapt", "adapt"),
        ("focus", {"focus": "two"}, "adapt", "adapt"),
        ("focus", {"focus": "low"}, "never", "never"),
        ("focus", {"focus": "magnetic"}, "never", "never"),
        ("face", {"face": "flat"}, "adapt", "adapt"),
        ("mount", {"mount": "bolts"}, "adapt", "adapt"),
        ("mount", {"bolts_wide_mm": 410.0}, "adapt", "adapt"),
        ("mount", {"bolts_wide_mm": None}, "unknown", "unknown"),
        ("band", {"band": "loose"}, "never", "never"),
        ("band", {"band": "none"}, "never", "never"),
        ("condition", {"getter": "white"}, "never", "never"),
        ("condition", {"emission": {"red": 0.05}}, "never", "never"),
        ("condition", {"emission": {}}, "unknown", "unknown"),
    ],
)
def test_each_thing_has_its_verdict(name: str, other: dict[str, Any], set_says: Verdict, donor_says: Verdict) -> None:
    assert aspect(name, "set", **other).verdict == set_says
    assert aspect(name, "donor", **other).verdict == donor_says


@pytest.mark.parametrize(
    ("other", "says"),
    [
        ({"line_mh": 1.30}, "with_yoke"),
        ({"line_mh": 1.374}, "with_yoke"),
        ({"line_mh": 1.40}, "adapt"),
        ({"line_mh": 0.80}, "never"),
        ({"line_mh": None}, "unknown"),
        ({"yoke": False}, "never"),
        ({"yoke": None}, "unknown"),
    ],
)
def test_the_line_yoke_comes_along_within_a_tenth(other: dict[str, Any], says: Verdict) -> None:
    assert aspect("line_yoke", "donor", **other).verdict == says
    assert aspect("line_yoke", "set", **other).verdict == "fits", "the set's own yoke moves over"


@pytest.mark.parametrize(
    ("other", "says"),
    [
        ({"field_ohm": 14.0}, "with_yoke"),
        ({"field_ohm": 18.0}, "adapt"),
        ({"field_ohm": 7.0}, "adapt"),
        ({"field_ohm": 30.0}, "never"),
        ({"field_ohm": None}, "unknown"),
    ],
)
def test_the_field_yoke_comes_along_within_a_fifth(other: dict[str, Any], says: Verdict) -> None:
    assert aspect("field_yoke", "donor", **other).verdict == says


@pytest.mark.parametrize(
    ("other", "figures", "says", "word"),
    [
        ({"heater_v": None}, {}, "unknown", "no label tells"),
        ({"heater_v": 6.3, "heater_a": 0.68}, {}, "fits", "0.68 A"),
        ({"heater_v": 6.3, "heater_a": 0.9}, {}, "adapt", "sag"),
        ({"heater_v": 6.3, "heater_a": 0.4}, {}, "adapt", "rise"),
        ({"heater_v": 12.0, "heater_a": 0.15}, {}, "adapt", "too cold"),
        ({"heater_v": 5.0, "heater_a": None}, {}, "adapt", "current isn't known"),
        ({"heater_a": 0.65}, {"heater_feed": "series"}, "fits", "string"),
        ({"heater_a": 0.3}, {"heater_feed": "series"}, "adapt", "string"),
        ({"heater_a": None}, {"heater_feed": "series"}, "unknown", "string"),
    ],
)
def test_the_heater_is_never_left_to_chance(
    other: dict[str, Any], figures: dict[str, Any], says: Verdict, word: str
) -> None:
    found = aspect("heater", "set", replace(FIGURES, **figures), **other)
    assert found.verdict == says
    assert word in found.words
    if says != "fits":
        assert "heater_excess" in found.cautions
        assert "gate_vacuum_seen" in found.cautions


def test_a_heater_that_needs_less_gets_its_resistor() -> None:
    """Ohm's law by hand: (6.3 - 5.0) V / 0.5 A = 2.6 ohm, 0.65 W of heat, rated twice that."""
    found = aspect("heater", heater_v=5.0, heater_a=0.5)
    assert found.verdict == "adapt"
    assert "2.6 ohm, 1.3 W" in found.do


def test_equal_bases_without_pinouts_are_not_known_to_fit() -> None:
    assert aspect("base", pins={}).verdict == "unknown"
    assert "many pinouts" in aspect("base", pins={}).words
    assert aspect("base", base="eight", pins={}).verdict == "adapt"


def test_pins_that_differ_are_named_one_by_one() -> None:
    found = aspect("base", pins={**PINS, "5": "cathode red", "11": "g1"})
    assert found.verdict == "adapt"
    assert "pin 5: cathode red in place of g1" in found.words
    assert "pin 11: g1 in place of none" in found.words
    assert "pin 9" not in found.words


@pytest.mark.parametrize(("drive", "says"), [("cathode", "adapt"), ("grid", "never"), (None, "unknown")])
def test_one_grid_where_three_are_fed(drive: Drive | None, says: Verdict) -> None:
    split = replace(WANTED, g1="split")
    assert aspect("g1", "set", replace(FIGURES, drive=drive), split).verdict == says


@pytest.mark.parametrize(
    ("rated", "eht", "limit", "says"),
    [
        (27.5, 24.0, 27.5, "fits"),
        (22.0, 24.0, 27.5, "never"),
        (24.5, 24.0, 27.5, "unknown"),  # a probe may be 5 % off
        (27.5, None, 25.0, "fits"),
        (22.0, None, 25.0, "unknown"),
        (None, 24.0, 27.5, "unknown"),
        (27.5, None, None, "unknown"),
    ],
)
def test_the_anode_rating_is_held_against_the_sets_voltage(
    rated: float | None, eht: float | None, limit: float | None, says: Verdict
) -> None:
    found = aspect("anode", "set", replace(FIGURES, eht_kv=eht, eht_limit_kv=limit), anode_max_kv=rated)
    assert found.verdict == says
    assert found.decisive or says in ("fits", "never")


def test_a_tube_made_for_more_is_said_to_stay_dim_and_not_mended_by_voltage() -> None:
    found = aspect("anode", anode_max_kv=32.0, anode_kv=30.0)
    assert found.verdict == "fits"
    assert "never mended by raising" in found.words


def test_focus_is_held_against_the_controls_reach() -> None:
    reach = replace(FIGURES, focus_low_kv=5.0, focus_high_kv=7.0)
    assert aspect("focus", "set", reach, focus_percent=25.0).verdict == "fits"
    found = aspect("focus", "set", reach, focus_percent=32.0)
    assert found.verdict == "adapt"
    assert "needs 7.7 kV" in found.words


def test_a_wider_angle_is_refused_for_want_of_energy_even_with_its_yoke() -> None:
    assert aspect("energy", "donor", deflection_deg=110.0).verdict == "never"
    assert "energy" not in {one.id for one in way("donor").aspects}


def test_what_is_unknown_never_counts_as_fitting() -> None:
    """One decisive figure taken away at a time: no longer said to fit, and how to find out is said."""
    for name in ("heater_v", "neck_mm", "gun", "g1", "deflection_deg", "anode_max_kv", "band", "diagonal_cm"):
        gone: dict[str, Any] = {name: None}
        found = way("set", FIGURES, WANTED, **gone)
        assert (found.verdict, found.so_far) == ("unknown", "fits"), name
        (gap,) = [one for one in found.aspects if one.verdict == "unknown"]
        assert gap.find_out, name
        assert gap.decisive, name


def test_never_outweighs_what_is_unknown() -> None:
    assert way("set", gun="delta", heater_v=None).verdict == "never"


def test_every_aspect_that_is_adapted_says_what_to_do() -> None:
    odd = way(
        "donor", heater_v=5.0, base="eight", g1="split", focus="two", face="flat", mount="bolts", diagonal_cm=48.0,
        line_mh=1.45, field_ohm=18.0,
    )  # fmt: skip
    adapted = [one for one in odd.aspects if one.verdict == "adapt"]
    assert len(adapted) == 9
    assert all(one.do and one.minutes > 0 for one in adapted)
    assert odd.minutes == 90 + sum(one.minutes for one in adapted)


def test_emission_ranks_donors() -> None:
    worths = [condition(replace(SISTER, emission={"red": level}))[1] for level in (1.0, 0.7, 0.5, 0.4, 0.2, 0.12)]
    known = [worth for worth in worths if worth is not None]
    assert known == sorted(known, reverse=True)
    assert len(set(known)) == len(worths)
    unread = condition(replace(SISTER, emission={}))[1]
    assert unread is not None
    assert known[0] > unread > known[-1]
    restored = condition(replace(SISTER, restorations=2, burn=0.15))[1]
    fresh = condition(SISTER)[1]
    assert restored is not None
    assert fresh is not None
    assert fresh - restored == pytest.approx(0.35)


def test_ranking_goes_by_verdict_then_condition_then_minutes() -> None:
    fits, adapts = settled("set", (), 180.0), settled("set", (Aspect(id="a", verdict="adapt", words=""),), 10.0)
    assert rank_key(fits, 0.3) < rank_key(adapts, 1.0)
    assert rank_key(fits, 0.9) < rank_key(fits, 0.3)
    assert rank_key(fits, 0.9) < rank_key(settled("set", (), 200.0), 0.9)


def test_monochrome_and_delta_tubes_are_matched_among_their_own() -> None:
    mono = replace(WANTED, gun="mono", picture="mono", g1=None)
    donor: dict[str, Any] = {"gun": "mono", "picture": "mono", "g1": None, "emission": {"mono": 0.8}}
    assert way("set", FIGURES, mono, **donor).verdict == "fits"
    delta = replace(WANTED, gun="delta", g1="split")
    assert way("set", FIGURES, delta, gun="delta", g1="split").verdict == "fits"
    assert way("set", FIGURES, delta).verdict == "never", "in-line in place of delta"
