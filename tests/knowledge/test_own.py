"""A shop's own file: what it brings, how it is woven into ours, and every mistake with file and line."""

from __future__ import annotations

import re
import tomllib
from importlib import resources
from pathlib import Path
from typing import Final

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tubewright.errors import InputError
from tubewright.knowledge.chassis import LoopParts, SyncInput
from tubewright.knowledge.load import load_knowledge, own_facts
from tubewright.knowledge.model import Knowledge

EXAMPLE: Final = (resources.files("tubewright.knowledge") / "own_example.toml").read_text(encoding="utf-8")


def read(tmp_path: Path, text: str) -> Knowledge:
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    return load_knowledge(path)


def mistakes(tmp_path: Path, text: str) -> list[str]:
    """The mistakes as ``line: what. mend``."""
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    prefix = f"{tmp_path / 'own.toml'}:"
    assert all(str(fault).startswith(prefix) for fault in caught.value.faults), caught.value
    return [str(fault).removeprefix(prefix) for fault in caught.value.faults]


def line_of(text: str, words: str) -> int:
    return next(number for number, line in enumerate(text.splitlines(), 1) if words in line)


# -- the example --------------------------------------------------------------------------------


def test_the_example_is_sound_and_leaves_ours_as_they_were(tmp_path: Path) -> None:
    ours, more = load_knowledge(), read(tmp_path, EXAMPLE)
    assert set(more.faults) - set(ours.faults) == {"hull_relay_worn"}
    assert set(more.symptoms) - set(ours.symptoms) == {"hull_click_and_dark"}
    assert set(more.tests) - set(ours.tests) == {"p_hull_relay"}
    assert set(more.chassis) == {"hull_19", "hull_19_late"}
    assert load_knowledge() is ours
    assert not ours.chassis
    assert more.faults["hull_relay_worn"].kind == "from memory"
    assert more.sources[more.faults["hull_relay_worn"].source].title.startswith("The shop's own file")


def test_the_example_shows_every_field_of_a_profile() -> None:
    from tubewright.knowledge.chassis_shape import CHASSIS_SHAPES

    body = tomllib.loads(EXAMPLE)["chassis"]
    shown = {name for one in body for name in one}
    assert set(CHASSIS_SHAPES["chassis"]) <= shown
    for part in ("afc", "sync_input"):
        assert set(CHASSIS_SHAPES[f"chassis.{part}"]) == {name for one in body for name in one.get(part, {})}


def test_what_the_example_links_weighs(tmp_path: Path) -> None:
    ours, more = load_knowledge(), read(tmp_path, EXAMPLE)

    def odds(known: Knowledge, test: str, result: str) -> dict[str, float]:
        return dict(next(one for one in known.tests[test].results if one.id == result).odds_ratios)

    assert odds(more, "p_hull_relay", "high") == {"hull_relay_worn": 20}
    # a fault of ours that a result of the shop's confirms counts as cited by that test
    assert odds(more, "p_hull_relay", "low") == {"hull_relay_worn": 0.1, "inrush_part_open": 0.1}
    assert more.faults["inrush_part_open"].confirmed_by["p_hull_relay"] == "low"
    # a further result of a test of ours
    assert odds(more, "o_tap_flex", "responds_hull_relay") == {"hull_relay_worn": 5}
    assert "responds_hull_relay" not in {one.id for one in ours.tests["o_tap_flex"].results}
    # a link overrides the group, and leaves the others of that result alone
    assert odds(more, "d_raw_dc", "zero") == odds(ours, "d_raw_dc", "zero") | {"hull_relay_worn": 3}
    # a fault of ours shows a symptom of the shop's, too
    assert more.faults["reservoir_cap_dried"].shows["hull_click_and_dark"] == 0.05
    assert "hull_click_and_dark" not in ours.faults["reservoir_cap_dried"].shows


def test_a_fault_may_join_a_group_of_ours(tmp_path: Path) -> None:
    without_link = EXAMPLE.replace("odds = { hull_relay_worn = 3 }", "odds = { hull_relay_worn = 3 }")
    i, j = (
        without_link.index("[[link]]                      # a result of ours"),
        without_link.index("[[link]]                      # a fault of ours"),
    )
    more = read(tmp_path, without_link[:i] + without_link[j:])
    zero = next(one for one in more.tests["d_raw_dc"].results if one.id == "zero")
    assert zero.odds_ratios["hull_relay_worn"] == zero.odds_ratios["mains_fuse_tired"]


def test_a_repair_carries_its_own_cautions_beside_those_of_every_repair(tmp_path: Path) -> None:
    cautions = read(tmp_path, EXAMPLE).faults["hull_relay_worn"].cautions
    assert cautions[-1] == "fire"
    assert {"mains_live", "anode_charge", "gate_power_off"} <= set(cautions)


def test_what_it_holds_is_told_by_table(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(EXAMPLE, encoding="utf-8")
    held = own_facts(path)
    assert held["chassis"] == ("hull_19", "hull_19_late")
    assert held["fault"] == ("hull_relay_worn",)
    assert len(held["link"]) == 3


# -- chassis profiles ------------------------------------------------------------------------------

PAIR: Final = """\
[[chassis]]
id = "reed_20"
name = "Reed 20"
bplus_v = 128
eht_kv = 24
eht_limit_kv = 26
adjustments = ["h_hold"]

[chassis.afc]
damping_ohm = 3300
capacitor_uf = 1.0

[chassis.rails]
vertical = 24
bias = -12

[chassis.nominals]
d_raw_dc = 325

[[chassis]]
id = "reed_20_b"
name = "Reed 20 B"
like = "reed_20"
bplus_v = 130
afc = { capacitor_uf = 0.47 }
sync_input = { kind = "separate", level_low_v = 0.8, level_high_v = 2.0 }

[chassis.rails]
sound = 12
"""


def test_a_profile_takes_over_what_it_doesn_t_say(tmp_path: Path) -> None:
    known = read(tmp_path, PAIR).chassis
    early, late = known["reed_20"], known["reed_20_b"]
    assert early.afc == LoopParts(damping_ohm=3300, capacitor_uf=1.0)
    assert early.sync_input is None
    assert late.afc == LoopParts(damping_ohm=3300, capacitor_uf=0.47)
    assert late.sync_input == SyncInput(kind="separate", level_low_v=0.8, level_high_v=2.0)
    assert (late.name, late.bplus_v, late.eht_kv, late.adjustments) == ("Reed 20 B", 130, 24, ("h_hold",))
    assert late.rails == {"vertical": 24, "bias": -12, "sound": 12}
    assert late.yoke_mh is None
    assert all(isinstance(value, float) for value in (late.bplus_v, *late.rails.values(), *late.nominals.values()))


def test_what_a_test_should_read_follows_from_the_supplies(tmp_path: Path) -> None:
    late = read(tmp_path, PAIR).chassis["reed_20_b"]
    assert late.nominals == {"d_bplus": 130, "d_bplus_dummy": 130, "d_eht": 24_000, "d_raw_dc": 325}


def test_a_long_line_of_likes_is_followed_to_its_end(tmp_path: Path) -> None:
    text = PAIR + "".join(
        f'[[chassis]]\nid = "reed_{n}"\nname = "Reed {n}"\nlike = "{"reed_20_b" if n == 0 else f"reed_{n - 1}"}"\n'
        for n in range(15)
    )
    last = read(tmp_path, text).chassis["reed_14"]
    assert last.afc is not None
    assert (last.afc.capacitor_uf, last.afc.damping_ohm, last.bplus_v) == (0.47, 3300, 130)


@pytest.mark.parametrize(
    ("old", "new", "line", "says"),
    [
        ('like = "reed_20"', 'like = "reed_21"', "reed_21", "no chassis is called 'reed_21'. Did you mean reed_20?"),
        ("damping_ohm = 3300", "damping_ohm = 0", "damping_ohm", "damping_ohm is 0, not above 0"),
        ("capacitor_uf = 1.0", "capacitor_uf = -1.0", "capacitor_uf", "capacitor_uf is -1.0, not above 0"),
        ("capacitor_uf = 1.0", "capacitor_uf = nan", "capacitor_uf", "capacitor_uf is nan"),
        ("capacitor_uf = 1.0", "capacitor_uf = inf", "capacitor_uf", "capacitor_uf is inf"),
        ("bplus_v = 128", "bplus_v = 0", "bplus_v", "bplus_v is 0, not above 0"),
        ("bplus_v = 128", 'bplus_v = "128 V"', "bplus_v", "bplus_v is '128 V'"),
        ("bplus_v = 128", "bplus_v = true", "bplus_v", "bplus_v is True"),
        ("eht_kv = 24", "eht_kv = 24000", "eht_kv", "eht_kv is 24000, more than 60"),
        ("eht_kv = 24", "eht_kv = 27", "eht_kv", "eht_kv is 27, above eht_limit_kv of 26"),
        ("vertical = 24", "vertical = 0", "vertical", "rails of vertical is 0, and it can't be 0"),
        ("d_raw_dc = 325", "d_raw_dv = 325", "d_raw_dv", "no test is called 'd_raw_dv'. Did you mean d_raw_dc?"),
        ("d_raw_dc = 325", "v_getter = 1", "v_getter", "no result of v_getter is read off the ratio"),
        ("d_raw_dc = 325", "d_raw_dc = 0", "d_raw_dc", "nominals of d_raw_dc is 0, and it can't be 0"),
        ("d_raw_dc = 325", "d_bplus = 118", "d_bplus", "nominals gives 118 for d_bplus, and bplus_v says 128"),
        ('["h_hold"]', '["h_holt"]', "h_holt", "no control is called 'h_holt'. Did you mean h_hold"),
        ('["h_hold"]', '["h_hold", "h_hold"]', "adjustments", "adjustments names h_hold twice"),
        ('kind = "separate"', 'kind = "apart"', "apart", "kind is 'apart', not one of separate, composite, on_green"),
        ("level_low_v = 0.8", "level_low_v = 2.8", "level_low_v", "level_low_v is 2.8, above level_high_v of 2"),
        ("[chassis.afc]", "[chassis.acf]", "[chassis.acf]", "'acf' is not one of its fields. Did you mean afc"),
        ("damping_ohm = 3300", "damping_ohms = 3300", "damping_ohms", "'damping_ohms' is not one of its fields"),
        ("[chassis.afc]", "[[chassis.afc]]", "[[chassis]]", "afc is no group of fields. Use [chassis.afc]"),
        ('name = "Reed 20"\n', "", "[[chassis]]", "name is missing"),
        ('id = "reed_20_b"', 'id = "reed_20"', "", "the id is already taken in"),
    ],
)  # fmt: skip
def test_a_mistake_in_a_profile_is_named_with_its_line(
    old: str, new: str, line: str, says: str, tmp_path: Path
) -> None:
    assert old in PAIR
    text = PAIR.replace(old, new, 1)
    found = [one for one in mistakes(tmp_path, text) if says in one]
    assert found, mistakes(tmp_path, text)
    if line:
        assert int(found[0].split(":")[0]) in {line_of(text, line), line_of(text, line) + 1}, found[0]


def test_a_circle_is_named_whole_and_once(tmp_path: Path) -> None:
    text = "".join(
        f'[[chassis]]\nid = "{name}"\nname = "{name}"\nlike = "{like}"\n'
        for name, like in (("a", "b"), ("b", "c"), ("c", "a"), ("d", "a"), ("e", "e"))
    )
    circles = [one for one in mistakes(tmp_path, text) if "circle" in one]
    assert len(circles) == 2
    assert circles[0].startswith("4: chassis 'a': its like leads in a circle: a → b → c → a.")
    assert circles[1].startswith("20: chassis 'e': its like leads in a circle: e → e.")


def test_what_is_taken_over_may_contradict(tmp_path: Path) -> None:
    text = PAIR.replace("bplus_v = 130", "eht_kv = 26.5")
    (found,) = mistakes(tmp_path, text)
    assert found.startswith(f"{line_of(text, 'eht_kv = 26.5')}: chassis 'reed_20_b': eht_kv is 26.5, above")


# -- links and further results -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        ('[[link]]\nsymptom = "top_curl"\nshown_by = { afc_filter_aged = 0.2 }', "top_curl is already given"),
        ('[[link]]\nsymptom = "top_curl"\nshown_by = { afc_filter_agd = 0.2 }', "Did you mean afc_filter_aged"),
        ('[[link]]\nsymptom = "top_curl"\nshown_by = { mains_fuse_tired = 1.2 }', "outside 0 to 1"),
        ('[[link]]\nsymptom = "top_kurl"\nshown_by = { mains_fuse_tired = 0.2 }', "Did you mean top_curl"),
        ('[[link]]\nfault = "hot_short"\nconfirmed_by = { d_bpluss = "low" }', "no test is called 'd_bpluss'"),
        ('[[link]]\nfault = "hot_shot"\nconfirmed_by = { d_bplus = "low" }', "Did you mean hot_short"),
        ('[[link]]\ntest = "d_bplus"\nresult = "lo"\nodds = { hot_short = 2 }', "no result of d_bplus is called 'lo'"),
        ('[[link]]\ntest = "d_bplus"\nodds = { hot_short = 2 }', "its fields don't make one link"),
        ('[[link]]\ntest = "d_bplus"\nresult = "low"\nodds = { hot_short = -2 }', "hot_short is -2, outside 0 to inf"),
        ('[[link]]\nsymptom = "top_curl"\nfault = "hot_short"', "its fields don't make one link"),
        ('[[result]]\ntest = "d_bplus"\nid = "low"\nmeans = "low"\nodds = { hot_short = 2 }', "has this result"),
        ('[[result]]\ntest = "d_pblus"\nid = "odd"\nmeans = "odd"\nodds = { hot_short = 2 }', "Did you mean d_bplus"),
        ('[[result]]\ntest = "d_bplus"\nid = "odd"\nmeans = "odd"\nrefines = "lw"', "is called 'lw'"),
        ('[[constant]]\nid = "c"\nvalue = 1\nunit = "V"\nmeans = "x"', "this is not a shop's to add"),
        ('[[treatment]]\nid = "clean"', "this is not a shop's to add"),
        ('[[hold]]\nid = "recharge"\nholds = "job"', "the id is already taken in facts/guards.toml"),
    ],
)  # fmt: skip
def test_a_mistake_in_a_link_is_named(entry: str, says: str, tmp_path: Path) -> None:
    found = mistakes(tmp_path, f"# by hand\n{entry}\n")
    assert any(says in one for one in found), found
    assert all(2 <= int(one.split(":")[0]) <= 6 for one in found)


def test_the_same_link_twice_is_told(tmp_path: Path) -> None:
    one = '[[link]]\nsymptom = "top_curl"\nshown_by = { mains_fuse_tired = 0.2 }\n'
    (found,) = mistakes(tmp_path, one + one)
    assert found.startswith("6: link: the link of mains_fuse_tired and top_curl is already given")


# -- files that are hardly files ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"\xff\xfe\x00", "can't be read"),
        (b"[[chassis]\n", "not valid TOML"),
        (b"a = " + b"[" * 5000, "no list of facts|not valid TOML"),
        (b"[[chassis]]\nid = 1" + b"0" * 5000 + b"\n", "no list of facts|not valid TOML|absurd length"),
        (b"#" * 2_000_001, "more than 2 MB"),
    ],
)
def test_what_is_no_such_file_gets_a_clear_message(raw: bytes, says: str, tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_bytes(raw)
    with pytest.raises(InputError, match=says) as caught:
        load_knowledge(path)
    assert str(path) in str(caught.value)
    assert len(str(caught.value)) < 1000


def test_an_empty_file_and_one_with_a_mark_in_front_are_sound(tmp_path: Path) -> None:
    assert read(tmp_path, "").faults == load_knowledge().faults
    (tmp_path / "own.toml").write_bytes(b"\xef\xbb\xbf" + PAIR.encode())
    assert "reed_20" in load_knowledge(tmp_path / "own.toml").chassis


LINES: Final = EXAMPLE.splitlines()
FILLED: Final = [at for at, line in enumerate(LINES) if line.strip() and not line.startswith("#")]


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(st.sampled_from(FILLED), min_size=1, max_size=3),
    st.sampled_from(
        ["", "id = 3", "like = 'hull_19_late'", "[[link]]", "[chassis.afc]", "series_ohm = 0", "a = [[1]]"]
    ),
)
def test_a_damaged_file_is_refused_in_words_or_still_holds(tmp_path: Path, damaged: list[int], instead: str) -> None:
    text = "\n".join(instead if at in damaged else line for at, line in enumerate(LINES))
    try:
        assert set(read(tmp_path, text).faults) >= set(load_knowledge().faults)
    except InputError as error:
        for fault in error.faults:
            assert re.fullmatch(r".*own\.toml:\d+", fault.where), fault
            assert 1 <= int(fault.where.rpartition(":")[2]) <= len(LINES) + 1
            assert fault.what
            assert fault.mend
