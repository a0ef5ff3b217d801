"""The reader: what is wrong in the facts is found, all of it, with file and line."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.errors import InputError
from tubewright.knowledge.facts_text import FactsFile
from tubewright.knowledge.load import knowledge_from, load_knowledge

SOUND: Final = """\
[common.fault]
subsystem = "tube"
kind = "from memory"
source = "memory"

[[source]]
key = "memory"
title = "What is remembered"

[[caution]]
id = "mind"
text = "It bites."
confirm = "Nobody touches it."
kind = "from memory"
source = "memory"

[[hazard]]
id = "H0"
means = "harmless"

[[hazard]]
id = "H2"
means = "lethal"
cautions = ["mind"]

[[symptom]]
id = "dark"
owner_says = "It is dark."
technician_says = "No light."
photo = "measurable"
leak_probability = 0.01
kind = "from memory"
source = "memory"

[[fault]]
id = "worn"
name = "Worn"
per_1000 = 100
shows = { dark = 0.7 }
confirmed_by = { look = "low_left" }
repair = "Mend it."
minutes = 10
parts = ["c0"]
hazard = "H2"

[[fault]]
id = "dirty"
name = "Dirty"
per_1000 = 50
shows = { dark = 0.2 }
confirmed_by = { look = "low_right" }
repair = "Clean it."
minutes = 5
parts = ["c0"]
hazard = "H0"

[[group]]
id = "both"
faults = ["worn", "dirty"]

[[test]]
id = "look"
name = "Look"
how = "Look at it."
minutes = 2
hazard = "H2"
running = true
cautions = ["mind"]
kind = "from memory"
source = "memory"

[[test.result]]
id = "low"
means = "low"
confirming = 5
quantity = "ratio"
below = 0.9

[[test.result]]
id = "low_left"
means = "low at the left"
confirming = 20
refines = "low"

[[test.result]]
id = "low_right"
means = "low at the right"
confirming = 20
odds = { worn = 0.5 }
refines = "low"

[[test.result]]
id = "right"
means = "right"
groups = { both = 0.5, tube = 0.25 }
citing = 0.2
odds = { dirty = 0.1 }
quantity = "ratio"
at_least = 0.9
"""


def faults_of(text: str, name: str = "facts/broken.toml") -> list[str]:
    with pytest.raises(InputError) as caught:
        knowledge_from([FactsFile(name=name, text=text)])
    return [str(fault) for fault in caught.value.faults]


def line_of(text: str, words: str) -> int:
    return next(number for number, line in enumerate(text.splitlines(), 1) if words in line)


def test_weights_spread_from_the_widest_statement_to_the_narrowest() -> None:
    knowledge = knowledge_from([FactsFile(name="sound.toml", text=SOUND)])
    low, low_left, low_right, right = knowledge.tests["look"].results
    assert low.odds_ratios == {"worn": 5, "dirty": 5}
    assert low_left.odds_ratios == {"worn": 20}
    assert low_right.odds_ratios == {"worn": 0.5, "dirty": 20}
    assert right.odds_ratios == {"worn": 0.2, "dirty": 0.1}
    assert knowledge.tests["look"].cautions == ("mind",)
    assert knowledge.faults["worn"].of_the_tube


@pytest.mark.parametrize(
    ("old", "new", "line", "says"),
    [
        ("shows = { dark = 0.7 }", "shows = { dork = 0.7 }", "dork", "no symptom is called 'dork'"),
        ("shows = { dark = 0.7 }", "shows = { dark = 1.7 }", "1.7", "shows of dark is 1.7, outside 0 to 1"),
        ("leak_probability = 0.01", "leak_probability = -0.01", "-0.01", "outside 0 to 1"),
        ("leak_probability = 0.01", "leak_probability = nan", "= nan", "leak_probability is nan"),
        ("per_1000 = 100", 'per_1000 = "100"', '"100"', "per_1000 is '100'"),
        ("per_1000 = 100", "per_1000 = true", "= true", "per_1000 is True"),
        ('look = "low_left"', 'look = "lwo_left"', "lwo_left", "no result of look is called 'lwo_left'"),
        ('look = "low_left"', 'loook = "low_left"', "loook", "no test is called 'loook'"),
        ("odds = { worn = 0.5 }", "odds = { wrn = 0.5 }", "wrn", "no fault is called 'wrn'"),
        ("both = 0.5, tube", "bth = 0.5, tube", "bth", "no group is called 'bth'"),
        ('faults = ["worn"', 'faults = ["wron"', '"wron"', "no fault is called 'wron'"),
        ('refines = "low"\n\n[[test.result]]\nid = "low_right"', 'refines = "lo"\n\n[[test.result]]\nid = "low_right"',
         'refines = "lo"', "no result of look is called 'lo'"),
        ('cautions = ["mind"]\nkind', 'cautions = ["mnd"]\nkind', '"mnd"', "no caution is called 'mnd'"),
        ('cautions = ["mind"]\nkind', "kind", "[[test]]", "a step of hazard H2 has no caution"),
        ('means = "lethal"\ncautions = ["mind"]', 'means = "lethal"', 'id = "H2"', "hazard H2 has no caution"),
        ('id = "dirty"', 'id = "worn"', "", "the id is already taken in facts/broken.toml:"),
        ('id = "low_left"', 'id = "low"', "", "look has this result twice"),
        ('title = "What is remembered"', "", "[[source]]", "title is missing"),
        ('name = "Worn"', 'name = " "', 'name = " "', "name is empty"),
        ('name = "Worn"', 'name = "Worn"\nnmae = "Worn"', "nmae", "'nmae' is not one of its fields"),
        ('photo = "measurable"', 'photo = "maybe"', "maybe", "photo is 'maybe', not one of"),
        ('parts = ["c0"]\nhazard = "H2"', 'parts = ["c9"]\nhazard = "H2"', "c9", "parts is 'c9', not one of"),
        ('hazard = "H2"\n\n[[fault]]', 'hazard = "H3"\n\n[[fault]]', '"H3"', "no hazard is called 'H3'"),
        ("below = 0.9", "below = 0.9\nat_least = 0.95", "", "its range 0.95 to 0.9 is empty"),
        ("below = 0.9\n", "", "quantity", "quantity and range don't belong together"),
        ("running = true", "running = 1", "running = 1", "running is 1"),
    ],
)  # fmt: skip
def test_a_mistake_is_named_with_its_line(old: str, new: str, line: str, says: str) -> None:
    assert SOUND.count(old) >= 1
    text = SOUND.replace(old, new, 1)
    found = [fault for fault in faults_of(text) if says in fault]
    assert found, faults_of(text)
    assert found[0].startswith("facts/broken.toml:")
    if line:
        where = line_of(text, line)
        # A fault of a whole entry is placed at its header, the others at their own line.
        assert found[0].split(":")[1] in {str(where), str(where - 1)}, found[0]


def test_a_source_must_be_named_and_must_exist() -> None:
    lost = SOUND.replace('kind = "from memory"\nsource = "memory"\n\n[[source]]', 'kind = "from memory"\n\n[[source]]')
    found = faults_of(lost)
    assert sum("source is missing" in fault for fault in found) == 2  # both faults shared it
    assert f"facts/broken.toml:{line_of(lost, '[[fault]]')}:" in found[0]
    assert any("no source is called 'memroy'" in fault for fault in faults_of(SOUND.replace('"memory"', '"memroy"', 1)))


ORIGIN: Final = 'kind = "from memory"\nsource = "memory"\n'
UNREAD: Final = '[[source]]\nkey = "unread"\ntitle = "Nobody read it"\n'
ODD: Final = (
    '[[symptom]]\nid = "odd"\nowner_says = "odd"\ntechnician_says = "odd"\nphoto = "none"\n'
    f"leak_probability = 0.1\n{ORIGIN}"
)
IDLE: Final = (
    '[[test]]\nid = "idle"\nname = "Idle"\nhow = "Wait."\nminutes = 1\nhazard = "H0"\nrunning = false\n'
    f'{ORIGIN}[[test.result]]\nid = "so"\nmeans = "so"\n'
)


ALOOF: Final = (
    '[[fault]]\nid = "aloof"\nname = "Aloof"\nper_1000 = 1\nshows = {}\nconfirmed_by = {}\nrepair = "None."\n'
    'minutes = 1\nparts = ["c0"]\nhazard = "H0"\n'
)
MUTE: Final = IDLE.replace('id = "idle"', 'id = "mute"').rstrip() + "\nodds = { worn = 1 }\n"
FORGOTTEN: Final = f'[[caution]]\nid = "old"\ntext = "Old."\nconfirm = "Old."\n{ORIGIN}'


@pytest.mark.parametrize(
    ("entry", "says"),
    [
        (ALOOF, "fault 'aloof': no finding speaks for it"),
        (ALOOF.replace("shows = {}", "shows = { dark = 0.0 }"), "fault 'aloof': no finding speaks for it"),
        (MUTE, "test 'mute': it tells nothing: no result of it changes the odds of a fault"),
        (FORGOTTEN, "caution 'old': nothing uses it"),
        (UNREAD, "source 'unread': no entry cites it"),
        (ODD, "symptom 'odd': no fault shows it"),
        (IDLE, "test 'idle': no fault and no effect cites it"),
    ],
)
def test_what_nothing_uses_is_reported(entry: str, says: str) -> None:
    text = f"{SOUND}\n{entry}"
    (fault,) = faults_of(text)
    assert says in fault
    assert fault.startswith(f"facts/broken.toml:{SOUND.count(chr(10)) + 3}:")


def test_a_result_that_confirms_must_speak_for_what_it_confirms() -> None:
    text = ALOOF.replace("{}\nrepair", '{ look = "right" }\nrepair').replace("shows = {}", "shows = { dark = 0.5 }")
    (fault,) = faults_of(f"{SOUND}\n{text}")
    assert "fault 'aloof': none of the results that confirm it speaks for it" in fault
    assert '[[link]] test = "look" result = "right" odds = { aloof = 20 }' in fault
    assert fault.startswith(f"facts/broken.toml:{line_of(f'{SOUND}{chr(10)}{text}', 'look = ' + chr(34) + 'right')}:")


def test_a_caution_that_the_program_shows_by_itself_is_used() -> None:
    where = FORGOTTEN.replace('confirm = "Old."', 'confirm = "Old."\nwhere = "some.page:CAUTIONS"')
    assert knowledge_from([FactsFile(name="sound.toml", text=f"{SOUND}\n{where}")]).cautions["old"].where


def test_a_step_on_a_running_set_needs_a_caution_however_harmless_it_is_called() -> None:
    running = "\n" + IDLE.replace("running = false", "gate = true\nrunning = true")
    (fault,) = faults_of(SOUND + running)
    assert fault.startswith(
        f"facts/broken.toml:{SOUND.count(chr(10)) + 2}: test 'idle': a step on a running set has no"
    )


@pytest.mark.parametrize(
    ("hold", "says"),
    [
        ('id = "mnd"\nholds = "job"', "no caution is called 'mnd'. Did you mean mind?"),
        ('id = "mind"\nholds = "minutes"', "it says nothing of how many minutes"),
        ('id = "mind"\nholds = "job"\nminutes = 5', "what holds for the job has no minutes"),
        ('id = "mind"\nholds = "step"\nminutes = 0', "minutes is 0, not above 0"),
        ('id = "mind"\nholds = "step"\nundone_by = ["mnd"]', "no caution is called 'mnd'"),
        ('id = "mind"\nholds = "ever"', "holds is 'ever', not one of job, step, minutes"),
    ],
)
def test_for_how_long_a_word_holds_is_checked(hold: str, says: str) -> None:
    (fault,) = faults_of(f"{SOUND}\n[[hold]]\n{hold}\n{ORIGIN}")
    assert says in fault


def test_a_hold_is_part_of_its_caution() -> None:
    hold = f'\n[[hold]]\nid = "mind"\nholds = "step"\nminutes = 7\nundone_by = ["mind"]\nasked = "after"\n{ORIGIN}'
    mind = knowledge_from([FactsFile(name="sound.toml", text=SOUND + hold)]).cautions["mind"]
    assert (mind.holds, mind.holds_minutes, mind.undone_by, mind.asked) == ("step", 7, ("mind",), "after")
    strict = knowledge_from([FactsFile(name="sound.toml", text=SOUND)]).cautions["mind"]
    assert (strict.holds, strict.holds_minutes, strict.asked) == ("step", None, "before")


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('treatments = ["clan"]', "no treatment is called 'clan'"),
        ('groups = ["bth"]', "no group is called 'bth'. Did you mean both?"),
        ('cautions = ["mnd"]', "no caution is called 'mnd'"),
    ],
)
def test_what_mends_a_fault_and_goes_with_it_is_checked(line: str, says: str) -> None:
    text = SOUND.replace('repair = "Mend it."', f'repair = "Mend it."\n{line}')
    (fault,) = faults_of(text)
    assert says in fault
    assert fault.startswith(f"facts/broken.toml:{line_of(text, line)}:")


def test_a_gate_needs_no_fault_to_cite_it() -> None:
    gate = "\n" + IDLE.replace("running", "gate = true\nrunning")
    assert knowledge_from([FactsFile(name="sound.toml", text=SOUND + gate)]).tests["idle"].gate


@pytest.mark.parametrize(
    ("pattern", "says"),
    [("[A-Z", "pattern is not a regular expression"), ("[0-9]+", "pattern does not fit its own example")],
)
def test_a_label_grammar_must_fit_its_example(pattern: str, says: str) -> None:
    label = (
        f"\n[[label]]\nid = 'form'\nname = 'Form'\npattern = '{pattern}'\nfields = {{}}\nexample = 'A1'\n"
        "kind = 'from memory'\nsource = 'memory'\n"
    )
    (fault,) = faults_of(SOUND + label)
    assert says in fault
    assert f":{line_of(SOUND + label, 'pattern =')}:" in fault


def test_all_mistakes_of_all_files_are_reported_together() -> None:
    first = SOUND.replace("per_1000 = 100", "per_1000 = -1").replace('photo = "measurable"', 'photo = "x"')
    files = [
        FactsFile(name="a.toml", text=first),
        FactsFile(name="b.toml", text="[[fault]]\nid = \n"),
        FactsFile(name="c.toml", text='[[recipe]]\nid = "soup"\n'),
    ]
    with pytest.raises(InputError) as caught:
        knowledge_from(files)
    where = [fault.where for fault in caught.value.faults]
    assert where == [
        "b.toml:2",
        "c.toml:1",
        f"a.toml:{line_of(first, 'photo =')}",
        f"a.toml:{line_of(first, 'per_1000 = -1')}",
    ]


@pytest.mark.parametrize(
    "text",
    ["fault = 3\n", "[fault]\nid = 'x'\n", "common = 3\n", "[[fault]]\n", "fault = [1, 2]\n", "[common]\nfault = 2\n",
     "[[test]]\nresult = 4\n", "[[test]]\nresult = [4]\n", "[[phosphor]]\nprimaries_xy = [1, 2]\n"],
)  # fmt: skip
def test_strange_but_valid_toml_is_answered_with_faults(text: str) -> None:
    assert faults_of(text, "odd.toml")[0].startswith("odd.toml:")


def test_built_in_facts_are_read_once() -> None:
    assert load_knowledge() is load_knowledge()


def test_a_shop_may_bring_its_own_facts(tmp_path: Path) -> None:
    own = (
        '[[symptom]]\nid = "sings"\nowner_says = "It sings."\ntechnician_says = "Tones."\nphoto = "none"\n'
        'leak_probability = 0.01\nkind = "from memory"\nsource = "bench-memory"\n'
        '[[fault]]\nid = "cricket_inside"\nname = "A cricket"\nsubsystem = "tube"\nper_1000 = 0.1\n'
        'shows = { sings = 1 }\nconfirmed_by = { v_getter = "dark" }\nrepair = "Let it go."\nminutes = 5\n'
        'parts = ["c0"]\nhazard = "H0"\nkind = "from memory"\nsource = "bench-memory"\n'
        '[[link]]\ntest = "v_getter"\nresult = "dark"\nodds = { cricket_inside = 20 }\n'
    )
    (tmp_path / "own.toml").write_text(own, encoding="utf-8")
    for path in (tmp_path, tmp_path / "own.toml"):
        more = load_knowledge(path)
        assert "cricket_inside" in more.faults
        dark = next(result for result in more.tests["v_getter"].results if result.id == "dark")
        assert dark.odds_ratios["cricket_inside"] == 20
        assert len(more.faults) == len(load_knowledge().faults) + 1
    assert "cricket_inside" not in load_knowledge().faults


def test_an_id_of_the_built_in_facts_can_not_be_taken_again(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text('[[source]]\nkey = "bench-memory"\ntitle = "Mine"\n', encoding="utf-8")
    with pytest.raises(InputError, match=r"own\.toml:2: source 'bench-memory': the id is already taken in facts/"):
        load_knowledge(tmp_path)


def test_a_file_that_can_not_be_read_is_said_so(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="can't be read"):
        load_knowledge(tmp_path / "nothing.toml")
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="can't be read"):
        load_knowledge(tmp_path)


LINES: Final = SOUND.splitlines()


@given(
    st.lists(st.integers(0, len(LINES) - 1), min_size=1, max_size=4),
    st.sampled_from(["", "id = 3", "x = [[1]]", "kind = { a = 1 }", "[[test.result]]", "[[fault]]", "shows = 0.5"]),
)
def test_damaged_facts_are_refused_in_words_or_still_hold(damaged: list[int], instead: str) -> None:
    lines = [instead if at in damaged else line for at, line in enumerate(LINES)]
    try:
        knowledge = knowledge_from([FactsFile(name="damaged.toml", text="\n".join(lines))])
    except InputError as error:
        for fault in error.faults:
            name, _, line = fault.where.partition(":")
            assert name == "damaged.toml"
            assert 1 <= int(line) <= len(lines)
            assert fault.what
            assert fault.mend
    else:
        for fault_cause in knowledge.faults.values():
            assert fault_cause.source in knowledge.sources
