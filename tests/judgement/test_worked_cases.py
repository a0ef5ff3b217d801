"""Ten worked cases whose faults a veteran has named: the catalogue and the engine must agree with him."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Final

import pytest

from tubewright.case import Case, Gun
from tubewright.judgement.diagnosis import Diagnosis, diagnose_findings
from tubewright.judgement.findings import Findings, gather_findings
from tubewright.judgement.next_tests import quickest_tests
from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.model import Knowledge

CASES: Final = Path(__file__).parent.parent / "cases"

VETERAN: Final[dict[str, tuple[str, ...]]] = {
    "c01": ("v_dry_joint",),
    "c02": ("tube_air",),
    "c03": ("screen_divider_fault",),
    "c04": ("reg_sense_drift", "bplus_set_wrong"),
    "c05": ("heater_feed_drift",),
    "c06": ("crt_socket_corroded",),
    "c07": ("vout_transistor_open", "video_channel_dead"),
    "c08": ("tube_worn_one",),
    "c09": ("sync_no_serration",),
    "c10": ("tube_hk_short",),
}
"""The veteran's first fault; two where he puts them about level."""

TRAPS: Final = ("c03", "c04", "c05", "c06", "c07")
"""A picture that looks like a worn tube and isn't."""


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return load_knowledge()


def read(name: str) -> Case:
    return Case.model_validate(tomllib.loads((CASES / f"{name}.toml").read_text(encoding="utf-8")))


def findings_of(case: Case, knowledge: Knowledge) -> Findings:
    """Findings, with emissions taken at their word: the last full-heater value over its reference."""
    full: dict[Gun, float] = {}
    reduced: dict[Gun, float] = {}
    for reading in case.readings:
        if reading.kind == "emission" and reading.gun is not None and reading.stage != "before":
            kept = full if (reading.heater_v or 6.3) > 6.0 else reduced
            kept[reading.gun] = reading.value / (reading.reference or 1.0)
    retention = {gun: low / full[gun] for gun, low in reduced.items() if full.get(gun)}
    return gather_findings(case, knowledge, emission=full, retention=retention)


def diagnosed(name: str, knowledge: Knowledge) -> Diagnosis:
    return diagnose_findings(findings_of(read(name), knowledge), knowledge)


@pytest.mark.parametrize("name", VETERAN)
def test_veterans_fault_is_among_the_first_three(name: str, knowledge: Knowledge) -> None:
    first = [suspect.id for suspect in diagnosed(name, knowledge).suspects[:3]]
    assert set(first) & set(VETERAN[name]), first


def test_veterans_fault_comes_first_in_most(knowledge: Knowledge) -> None:
    right = [name for name, wanted in VETERAN.items() if diagnosed(name, knowledge).suspects[0].id in wanted]
    assert len(right) >= 8, right


@pytest.mark.parametrize("name", TRAPS)
def test_traps_never_blame_the_tube(name: str, knowledge: Knowledge) -> None:
    """Where the evidence points away from the cathode, so does the answer."""
    got = diagnosed(name, knowledge)
    tube = max(
        got.posteriors[fault.id] for fault in knowledge.faults.values() if fault.of_the_tube and _shows(fault.id, got)
    )
    other = max(suspect.probability for suspect in got.suspects if not suspect.of_the_tube)
    assert tube < other
    assert got.probability_elsewhere > got.probability_tube
    assert got.probability_elsewhere > 0.5


def _shows(fault: str, got: Diagnosis) -> bool:
    return any(suspect.id == fault for suspect in got.suspects) or fault.startswith("tube_worn")


@pytest.mark.parametrize("name", VETERAN)
def test_next_tests_carry_their_cautions(name: str, knowledge: Knowledge) -> None:
    """Whatever is proposed next is untaken or goes further, and says what to mind before a hand goes in."""
    findings = findings_of(read(name), knowledge)
    proposals = quickest_tests(findings, knowledge)
    assert proposals
    for proposal in proposals:
        assert (proposal.id in findings.tests_done) is bool(proposal.follows)
        assert proposal.cautions or proposal.hazard == "H0"
