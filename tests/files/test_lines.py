"""The locators point at the line where a value stands, however it is written."""

from __future__ import annotations

import json
import tomllib
from typing import Any

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from tubewright.files.lines import json_lines, toml_lines

TRICKY = '''\
# readings = 1
format = 1 # [tube]
"quoted key" = "a # not a comment [x]"
tube.label = """
[[readings]]
value = 3 \\""" still inside
"""
use = { hours_per_week = 6, "keep_years" = 5 }
list = [
  1, # one
  [2, 3],
  { a = 1 },
]
raw = \'\'\'
[use]\'\'\'
[[readings]]
gun = 'red'
[[readings]]
  value = 1e3
[readings.more]
x = 2026-11-25T10:00:00
[ a . "b" ]
c = "\\""
'''


def test_a_tricky_document_is_walked_rightly() -> None:
    tomllib.loads(TRICKY)
    lines = toml_lines(TRICKY)
    expected = {
        ("format",): 2,
        ("quoted key",): 3,
        ("tube",): 4,
        ("tube", "label"): 4,
        ("use", "keep_years"): 8,
        ("list", 0): 10,
        ("list", 1, 1): 11,
        ("list", 2, "a"): 12,
        ("raw",): 14,
        ("readings", 0, "gun"): 17,
        ("readings", 1): 18,
        ("readings", 1, "value"): 19,
        ("readings", 1, "more", "x"): 21,
        ("a", "b", "c"): 23,
    }
    assert {path: lines.get(path) for path in expected} == expected


values = st.recursive(
    st.integers(-9, 9) | st.booleans() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text("ab #[", min_size=1), inner, max_size=3),
    max_leaves=12,
)
documents = st.dictionaries(st.text("abc", min_size=1, max_size=3), values, max_size=4)


def paths_in(value: object, path: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    members = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return {path} | {deeper for key, held in members for deeper in paths_in(held, (*path, key))}


@settings(max_examples=80, deadline=None)
@given(documents)
def test_every_value_of_any_toml_document_has_its_line(data: dict[str, Any]) -> None:
    text = tomlkit.dumps(data)
    assert tomllib.loads(text) == data
    found = set(toml_lines(text))
    assert paths_in(data) - {()} <= found


@settings(max_examples=80, deadline=None)
@given(documents)
def test_every_value_of_any_json_document_has_its_line(data: dict[str, Any]) -> None:
    lines, twice = json_lines(json.dumps(data, indent=1))
    assert set(lines) == paths_in(data)
    assert not twice


@pytest.mark.parametrize("text", ["[", "{", '"', "a = ", "a = [1,", '{"a": [', "= 1", '{"a" 1'])
def test_broken_text_ends_the_walk_without_an_error(text: str) -> None:
    toml_lines(text)
    json_lines(text)
