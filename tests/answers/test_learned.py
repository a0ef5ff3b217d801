"""What the shop's own jobs changed: the same figures as ``diagnose`` goes by, and gone with the job."""

from __future__ import annotations

from tubewright.answers.assess import assess
from tubewright.answers.diagnose import diagnose
from tubewright.answers.learned import learned, to_json
from tubewright.case import Case
from tubewright.experience import NO_EXPERIENCE, Experience, MendedJob
from tubewright.knowledge.load import load_knowledge
from tubewright.report.diagnose_text import learned_to_text, moved_figures

KNOWLEDGE = load_knowledge()
JOB = MendedJob(faults=("afc_filter_aged",), excluded=(), present=("top_curl",), absent=(), results=())
SHOP = Experience(mended=(JOB,) * 12, closed_jobs=12)


def test_a_shop_on_its_first_day_has_changed_nothing() -> None:
    answer = learned(KNOWLEDGE, NO_EXPERIENCE)
    assert (answer.figures, answer.jobs) == ((), 0)
    assert answer.words in learned_to_text(answer, width=200)


def test_what_moved_farthest_comes_first_and_says_from_how_many_jobs() -> None:
    answer = learned(KNOWLEDGE, SHOP)
    moved = [abs(f.ours_probability - f.general_probability) for f in answer.figures]
    assert moved == sorted(moved, reverse=True)
    assert answer.figures[0].fault == "afc_filter_aged"
    assert answer.figures[0].jobs == 12
    one = learned(KNOWLEDGE, Experience(mended=(JOB,), closed_jobs=1))
    assert 0 < len(moved_figures(one)) < len(one.figures)
    assert to_json(answer)["jobs"] == 12


def test_the_diagnosis_goes_by_the_same_figures() -> None:
    case = Case.model_validate({"format": 1, "symptoms": [{"id": "top_curl"}]})
    told = {(f.fault, f.about): f for f in learned(KNOWLEDGE, SHOP).figures}
    shown = diagnose(case, KNOWLEDGE, SHOP).learned
    assert shown
    assert all(told[figure.fault, figure.about] == figure for figure in shown)


def test_the_verdict_goes_by_the_same_figures_as_the_diagnosis() -> None:
    case = Case.model_validate({"format": 1, "symptoms": [{"id": "top_curl"}]})
    asked = {suspect.id: suspect.probability for suspect in assess(case, KNOWLEDGE, SHOP, futures=1000).suspects}
    told = {fault.id: fault.probability for fault in diagnose(case, KNOWLEDGE, SHOP).faults}
    assert asked["afc_filter_aged"] == told["afc_filter_aged"]
    assert asked["afc_filter_aged"] > diagnose(case, KNOWLEDGE).faults[0].probability
