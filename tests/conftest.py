"""What all tests share: a browser where there is one, and an honest list of what was left out."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

# Small sums on many threads wait for each other, above all beside other tests; read when NumPy is first loaded.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest
from hypothesis import settings

from browsers import ARGUMENTS, HOW, chromium_path

if TYPE_CHECKING:
    from playwright.sync_api import Browser

POSTGRES: Final = "TUBEWRIGHT_TEST_POSTGRES"
"""Names a PostgreSQL database, as a URL, whose contents may be thrown away."""

# The suite is to give the same verdict twice: examples are drawn from a fixed
# seed, and a busy machine is no reason to fail.
settings.register_profile("house", deadline=None, derandomize=True)
settings.load_profile("house")


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the longest test, so that the other workers don't wait for it at the end."""
    items.sort(key=lambda item: "test_story_browser" not in item.nodeid)


@pytest.fixture(scope="session")
def chromium() -> str:
    """Path of the Chromium to drive; a test that asks for it is left out where there is none."""
    path = chromium_path()
    if path is None:
        pytest.skip(HOW)
    return path


@pytest.fixture(scope="session")
def browser(chromium: str) -> Iterator[Browser]:
    """One browser for the session; open a context of your own in each test."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=chromium, args=list(ARGUMENTS))
        yield started
        started.close()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """List every test that did not run, with the reason, also in a quiet run."""
    left_out = terminalreporter.stats.get("skipped", [])
    # Workers drop the PostgreSQL tests before the report can count them.
    unserved = bool(terminalreporter.config.getoption("numprocesses", None)) and not os.environ.get(POSTGRES)
    if not left_out and not unserved:
        return
    terminalreporter.section("left out")
    if unserved:
        terminalreporter.write_line(f"PostgreSQL's turn at the records: set {POSTGRES} to the URL of an empty database")
    reasons = Counter(_reason(report) for report in left_out)
    for reason, count in sorted(reasons.items()):
        terminalreporter.write_line(f"{count} because: {reason}")
    for report in left_out:
        terminalreporter.write_line(f"    {report.nodeid}")


def _reason(report: pytest.TestReport) -> str:
    longrepr = report.longrepr
    text = longrepr[2] if isinstance(longrepr, tuple) else str(longrepr)
    return text.removeprefix("Skipped: ")
