"""Whether the facts say anything once all weights are spread: no fault and no test without effect."""

from __future__ import annotations

from collections.abc import Iterable

from tubewright.errors import Fault
from tubewright.knowledge.facts_text import Entry
from tubewright.knowledge.model import Knowledge


def check_weights(entries: Iterable[Entry], knowledge: Knowledge, faults: list[Fault]) -> None:
    """Report faults that no finding speaks for, and tests that tell nothing of any fault.

    Args:
        entries: What ``knowledge`` was built from; says where each stands.
        knowledge: All weights, spread from groups and citations to single faults.
        faults: Receives what is wrong.
    """
    spoken_for = {
        fault
        for test in knowledge.tests.values()
        for result in test.results
        for fault, ratio in result.odds_ratios.items()
        if ratio > 1
    }
    for entry in entries:
        if entry.table == "fault":
            fault = knowledge.faults[entry.id]
            if fault.id not in spoken_for and not any(fault.shows.values()):
                faults.append(
                    entry.fault(
                        "no finding speaks for it",
                        "Name a symptom in shows, a result in confirmed_by, or its odds in a result",
                        entry.id,
                    )
                )
            elif fault.confirmed_by and not any(
                result.odds_ratios.get(fault.id, 0) > 1
                for name, result_id in fault.confirmed_by.items()
                for result in knowledge.tests[name].results
                if result.id == result_id
            ):
                test_id, result_id = next(iter(fault.confirmed_by.items()))
                faults.append(
                    entry.fault(
                        "none of the results that confirm it speaks for it",
                        f'Say how strongly: [[link]] test = "{test_id}" result = "{result_id}" '
                        f"odds = {{ {fault.id} = 20 }}, where 2 is some, 5 good and 20 strong evidence",
                        "confirmed_by",
                    )
                )
        elif entry.table == "test":
            test = knowledge.tests[entry.id]
            if not test.gate and all(ratio == 1 for result in test.results for ratio in result.odds_ratios.values()):
                faults.append(
                    entry.fault(
                        "it tells nothing: no result of it changes the odds of a fault", "Give a result odds", entry.id
                    )
                )
