"""The docs say what is: commands exist, links lead somewhere, examples run, pages load nothing from outside."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import typing
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Final

import pytest
import typer
from pydantic import BaseModel

import tubewright
from tubewright.answers.assess import assess
from tubewright.case import Case
from tubewright.cli.app import app
from tubewright.files import read_case
from tubewright.knowledge.load import load_knowledge

ROOT: Final = Path(__file__).parents[1]
DOCS: Final = ROOT / "docs"
PAGES: Final = sorted([*ROOT.glob("*.md"), *DOCS.rglob("*.md")])
EXAMPLES: Final = sorted((DOCS / "examples").glob("*.toml"))
FENCE: Final = re.compile(r"^```(\w*)\n(.*?)^```", re.MULTILINE | re.DOTALL)


def by_name(path: Path) -> str:
    """How a test of one file is called."""
    return path.relative_to(ROOT).as_posix()


def commands(path: Path) -> Iterator[str]:
    """Every command line shown in a page: lines of shell blocks, and code in running text that starts with one."""
    text = path.read_text(encoding="utf-8")
    for language, block in FENCE.findall(text):
        if language in {"sh", "bat"}:
            for line in block.replace("\\\n", " ").splitlines():
                yield line.partition("  #")[0].strip().removeprefix("$ ")
    yield from re.findall(r"`((?:make|tubewright) [^`\n]+)`", FENCE.sub("", text))


def make_targets() -> set[str]:
    """The chores that the Makefile knows."""
    return set(re.findall(r"^([a-z][a-z-]*):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE))


@pytest.mark.parametrize("page", PAGES, ids=by_name)
def test_every_chore_named_exists(page: Path) -> None:
    named = {match[1] for line in commands(page) if (match := re.match(r"make ([a-z-]+)", line))}
    assert named <= make_targets()


def test_every_chore_is_declared() -> None:
    declared = re.search(r"^\.PHONY: (.*)$", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE)
    assert declared
    assert set(declared[1].split()) == make_targets()


def help_of(arguments: tuple[str, ...]) -> str:
    """What ``tubewright ... --help`` prints, or nothing where there is no such command."""
    shown = subprocess.run(
        [sys.executable, "-m", "tubewright", *arguments, "--help"],
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
        env={**os.environ, "COLUMNS": "200", "TERM": "dumb"},
    )
    return shown.stdout if shown.returncode == 0 else ""


GROUPS: Final[dict[str, set[str]]] = {
    name: set(getattr(command, "commands", {}))
    for name, command in getattr(typer.main.get_command(app), "commands", {}).items()
}
"""The commands that hold further ones, and which."""


def called() -> dict[str, set[str]]:
    """Every command that a page calls, in a group with its group, and the options it is given."""
    found: dict[str, set[str]] = {}
    for page in PAGES:
        for line in commands(page):
            match = re.search(r"(?:^|[/\\ ])tubewright(?:\.exe)? ([a-z]+(?:-[a-z]+)*)\b(?: ([a-z]+)\b)?(.*)", line)
            if match:
                inner = f" {match[2]}" if match[2] in GROUPS.get(match[1], ()) else ""
                found.setdefault(match[1] + inner, set()).update(re.findall(r"(--[a-z][a-z-]*)", match[3]))
    return found


@pytest.mark.parametrize(("command", "options"), sorted(called().items()))
def test_every_command_and_option_named_exists(command: str, options: set[str]) -> None:
    shown = help_of(tuple(command.split()))
    assert shown, f"tubewright {command} is not a command"
    for option in options:
        assert option in shown, f"tubewright {command} knows no {option}"


def test_the_search_for_commands_finds_those_of_the_readme() -> None:
    assert {"assess", "bench", "list", "sources", "backup"} <= set(called())
    assert "--json" not in called()["bench"]


def test_the_readme_starts_with_the_job() -> None:
    title, job, *_ = (ROOT / "README.md").read_text(encoding="utf-8").split("\n\n")
    assert title == "# Tubewright"
    assert job.startswith("**Is this picture tube worth saving, and what is the next safe step?**")
    assert "\n" not in job


@pytest.mark.parametrize("page", PAGES, ids=by_name)
def test_every_link_leads_to_a_file(page: Path) -> None:
    text = FENCE.sub("", page.read_text(encoding="utf-8"))
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        assert "://" not in target, f"{target}: the docs stand on their own"
        file = target.partition("#")[0]
        assert not file or (page.parent / file).exists(), target


def test_every_picture_is_used_and_is_a_picture() -> None:
    used = {
        (page.parent / target).resolve()
        for page in PAGES
        for target in re.findall(r"!\[[^\]]+\]\(([^)\s]+)\)", page.read_text(encoding="utf-8"))
    }
    there = {path.resolve() for path in (DOCS / "pictures").rglob("*") if path.is_file()}
    assert there <= used, sorted(path.name for path in there - used)
    for path in there:
        head = path.read_bytes()[:200]
        assert head.startswith(b"\x89PNG") or b"<svg" in head, path


def test_a_picture_says_in_words_what_it_shows() -> None:
    for page in PAGES:
        for words in re.findall(r"!\[([^\]]*)\]", page.read_text(encoding="utf-8")):
            assert len(words.split()) >= 4, f"{by_name(page)}: {words!r}"


def test_the_changelog_has_this_version() -> None:
    assert f"\n## {tubewright.__version__}" in (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")


# --- the case file ---------------------------------------------------------------


def test_the_example_in_the_text_is_the_example_in_the_file() -> None:
    blocks = [block for language, block in FENCE.findall((DOCS / "case.md").read_text(encoding="utf-8"))]
    assert (DOCS / "examples" / "pier-7.toml").read_text(encoding="utf-8") in blocks


@pytest.mark.parametrize("example", EXAMPLES, ids=by_name)
def test_an_example_is_a_sound_case(example: Path) -> None:
    assert read_case(example, knowledge=load_knowledge()).readings


@pytest.mark.parametrize("example", EXAMPLES, ids=by_name)
def test_an_example_gets_a_verdict(example: Path) -> None:
    knowledge = load_knowledge()
    answer = assess(read_case(example, knowledge=knowledge), knowledge, futures=2000)
    assert answer.headline
    assert answer.next_steps


def models(model: type[BaseModel]) -> Iterator[type[BaseModel]]:
    """A model and all models within it."""
    yield model
    for field in model.model_fields.values():
        for inner in (field.annotation, *typing.get_args(field.annotation)):
            if isinstance(inner, type) and issubclass(inner, BaseModel):
                yield from models(inner)


def test_every_field_of_a_case_is_explained() -> None:
    text = (DOCS / "case.md").read_text(encoding="utf-8")
    fields = {name for model in models(Case) for name in model.model_fields}
    assert len(fields) > 40
    missing = {name for name in fields if f"`{name}`" not in text and f"[{name}]" not in text}
    assert not missing


def test_every_word_a_field_takes_is_explained() -> None:
    text = (DOCS / "case.md").read_text(encoding="utf-8")
    words = {
        word
        for model in models(Case)
        for field in model.model_fields.values()
        for word in _literals(field.annotation)
        if isinstance(word, str)
    }
    assert len(words) > 30
    assert not {word for word in words if f"`{word}`" not in text and f'"{word}"' not in text}


def _literals(annotation: object) -> Iterator[object]:
    if typing.get_origin(annotation) is typing.Literal:
        yield from typing.get_args(annotation)
    else:
        for inner in typing.get_args(annotation):
            yield from _literals(inner)


# --- the built pages -------------------------------------------------------------


class _Loads(HTMLParser):
    """Collects what a page makes the browser fetch (not what it merely links to)."""

    def __init__(self) -> None:
        super().__init__()
        self.addresses: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        names = ["src", "srcset", "poster", "data", "action", "style"] + (["href"] if tag in {"link", "base"} else [])
        self.addresses += [given[name] for name in names if name in given]


def loaded(text: str, kind: str) -> list[str]:
    """Outside addresses that a page (``.html``) or a style sheet (``.css``) fetches."""
    if kind == ".css":
        found = re.findall(r"url\(\s*['\"]?([^'\")]+)", text) + re.findall(r"@import\s+['\"]([^'\"]+)", text)
    else:
        parser = _Loads()
        parser.feed(text)
        found = parser.addresses
    return [address for address in found if re.match(r"\s*([a-z]+:)?//", address) or "url(http" in address]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The docs, built; any warning of the builder is a failure.

    Not with ``--quiet``: that hides the warnings from ``--strict`` as well.
    """
    built = tmp_path_factory.mktemp("site")
    done = subprocess.run(
        [sys.executable, "-m", "mkdocs", "build", "--strict", "--site-dir", str(built)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return built


def test_the_docs_build_into_a_page_each(site: Path) -> None:
    for page in DOCS.rglob("*.md"):
        assert (site / page.relative_to(DOCS).with_suffix(".html")).exists()


def test_the_built_pages_load_nothing_from_outside(site: Path) -> None:
    looked_at = [path for path in site.rglob("*") if path.suffix in {".html", ".css"}]
    assert len(looked_at) > len(list(DOCS.rglob("*.md")))
    for path in looked_at:
        assert not loaded(path.read_text(encoding="utf-8"), path.suffix), path.relative_to(site)


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ('<script src="https://cdn.example/x.js"></script>', ".html"),
        ('<link rel="stylesheet" href="//fonts.example/css">', ".html"),
        ('<img src="http://pictures.example/a.png">', ".html"),
        ('<p style="background: url(http://pictures.example/a.png)">', ".html"),
        ('@import "https://fonts.example/css";', ".css"),
        ("a { background: url(//pictures.example/a.png) }", ".css"),
    ],
)
def test_a_load_from_outside_is_seen(text: str, kind: str) -> None:
    assert loaded(text, kind)


def test_a_link_is_not_a_load() -> None:
    assert not loaded('<a href="https://docs.example/">docs</a><img src="pictures/a.png">', ".html")
