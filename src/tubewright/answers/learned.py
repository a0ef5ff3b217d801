"""What the shop's own closed jobs changed in the catalogue: ours beside the general figure."""

from __future__ import annotations

from dataclasses import dataclass

from tubewright.answers.diagnosed import LearnedFigure
from tubewright.experience import Experience
from tubewright.judgement.faults_learned import LearnedFaults, OwnFigure, learn_faults
from tubewright.knowledge.model import Knowledge


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedAnswer:
    """Every figure on faults that the shop's jobs have moved, the farthest moved first, and from how many jobs."""

    figures: tuple[LearnedFigure, ...]
    jobs: int
    words: str


def learned(knowledge: Knowledge, experience: Experience) -> LearnedAnswer:
    """What the shop's own closed jobs changed.

    It is reckoned anew from the jobs each time: a job that is struck out or opened again
    takes its lesson with it.
    """
    told = learn_faults(knowledge, experience)
    figures = sorted(learned_figures(told, knowledge), key=lambda f: -abs(f.ours_probability - f.general_probability))
    return LearnedAnswer(figures=tuple(figures), jobs=told.jobs, words=told.words)


def learned_figures(told: LearnedFaults, knowledge: Knowledge) -> tuple[LearnedFigure, ...]:
    """The moved figures in the order of the catalogue, with what each is about."""
    return tuple(
        LearnedFigure(
            fault=figure.fault,
            name=knowledge.faults[figure.fault].name,
            about=figure.about,
            words=figure_words(figure, knowledge),
            ours_probability=figure.ours_probability,
            general_probability=figure.general_probability,
            jobs=figure.jobs,
        )
        for figure in told.figures
    )


def to_json(answer: LearnedAnswer) -> dict[str, object]:
    """The body of ``tubewright own learned --json``."""
    return {
        "jobs": answer.jobs,
        "words": answer.words,
        "figures": [
            {
                "fault": f.fault,
                "about": f.about,
                "words": f.words,
                "ours": float(f"{f.ours_probability:.4g}"),
                "general": float(f"{f.general_probability:.4g}"),
                "jobs": f.jobs,
            }
            for f in answer.figures
        ],
    }


def figure_words(figure: OwnFigure, knowledge: Knowledge) -> str:
    """What a learned figure is about."""
    name = knowledge.faults[figure.fault].name
    if figure.sort == "how_often":
        return f"{name}: how often it comes"
    if figure.sort == "symptom":
        return f"{name}: shows “{knowledge.symptoms[figure.about].owner_says.rstrip('.')}”"
    test, result = figure.about.split("/")
    means = next(r.means for r in knowledge.tests[test].results if r.id == result)
    return f"{name}: {knowledge.tests[test].name}: {means}"
