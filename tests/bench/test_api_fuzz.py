"""The API keeps to its own description, whatever is sent."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis.core.failures import FailureGroup
from schemathesis.core.result import Ok

from bench.benches import ORIGIN, Visitor, new_store


@pytest.fixture(scope="module")
def fuzzed(tmp_path_factory: pytest.TempPathFactory, empty: Path) -> Iterator[Visitor]:
    with new_store(tmp_path_factory.mktemp("fuzz"), empty) as store:
        visitor = Visitor(store)
        visitor.open_job()
        yield visitor


def operations(visitor: Visitor) -> list[Any]:
    """What the published description says can be asked."""
    described = schemathesis.openapi.from_dict(visitor.get("/openapi.json").json())
    return [found.ok() for found in described.get_all_operations() if isinstance(found, Ok)]


@pytest.mark.parametrize("mode", list(schemathesis.GenerationMode), ids=lambda mode: mode.value)
@pytest.mark.parametrize("number", range(9))
def test_the_api_keeps_its_word(fuzzed: Visitor, number: int, mode: schemathesis.GenerationMode) -> None:
    """No failure of ours, no undescribed status, no body that breaks the published schema."""
    found = operations(fuzzed)
    assert len(found) == 9
    operation = found[number]
    asked = operation.definition.raw
    if not asked.get("parameters") and "requestBody" not in asked:
        mode = schemathesis.GenerationMode.POSITIVE  # where nothing is asked nothing can be asked wrongly

    @given(case=operation.as_strategy(generation_mode=mode))
    @settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck), database=None)
    def keeps_its_word(case: Any) -> None:  # noqa: ANN401 - made by the fuzzer
        sent = case.as_transport_kwargs(base_url=ORIGIN)
        sent.pop("cookies", None)
        body = {name: sent[name] for name in ("content", "data", "json") if sent.get(name) is not None}
        if isinstance(body.get("data"), bytes | str):
            body["content"] = body.pop("data")
        headers = {**dict(sent["headers"] or {}), "host": ORIGIN.removeprefix("http://")}
        answer = fuzzed.client.request(sent["method"], sent["url"], headers=headers, params=sent.get("params"), **body)
        assert answer.status_code < 500, answer.text
        described_as = str(answer.status_code) in operation.definition.raw["responses"]
        assert described_as or answer.status_code in {400, 405}, f"{answer.status_code} is not described"
        operation.validate_response(answer)

    keeps_its_word()


def test_the_fuzz_would_notice_a_broken_word(fuzzed: Visitor) -> None:
    """Without this the test above could pass by checking nothing."""
    operation = next(found for found in operations(fuzzed) if "assess" in found.path)
    answer = fuzzed.get("/api/jobs/1/case")
    with pytest.raises(FailureGroup):
        operation.validate_response(answer)
