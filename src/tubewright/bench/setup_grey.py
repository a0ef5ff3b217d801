"""Where the grey scale of a job stands, as its set-up's page tells it in a line: by its newest reading."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from tubewright.answers.greyscale_form import GreyAnswer
from tubewright.answers.greyscale_kept import kept_course
from tubewright.bench.setting_up import SettingUp
from tubewright.errors import InputError
from tubewright.knowledge.model import Knowledge
from tubewright.records.model import GreyRoundRecord, JobPage

Standing = Literal["unread", "within", "beyond", "unknown"]
GREY_WORDS: Final[Mapping[Standing, str]] = {
    "unread": "not read yet",
    "within": "within tolerance",
    "beyond": "beyond tolerance",
    "unknown": "not known",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class GreyStanding:
    """Where it stands.

    Attributes:
        standing: "unread" while nothing was read; "unknown" where the newest reading can't tell.
        newest: The newest reading.
        readings: How many there are.
        words: What the newest one says.
        stale: What was done to the set since, in words; "" where nothing was.
    """

    standing: Standing
    newest: GreyRoundRecord | None = None
    readings: int = 0
    words: str = ""
    stale: str = ""


def grey_standing(setting_up: SettingUp, knowledge: Knowledge, job: JobPage) -> GreyStanding:
    """Whether the newest reading of the grey steps is within its tolerances; reckoned once for the same readings."""
    if not job.grey_rounds:
        return GreyStanding(standing="unread")
    rounds, newest = job.grey_rounds, job.grey_rounds[-1]

    def reckon() -> GreyAnswer | None:
        # The tube's reserves bear on what to turn, not on what was read.
        try:
            return kept_course(rounds, knowledge).now
        except InputError:  # said on the page of the grey scale
            return None

    answer = setting_up.kept(
        ("grey", id(knowledge), job.job.id, tuple((one.id, one.version) for one in rounds)), reckon
    )
    standing: Standing = "unknown"
    words = "it can't be judged from this reading"
    if answer is not None and answer.error is not None:
        error, target = answer.error, answer.target
        standing = "within" if error.within else "beyond"
        words = (
            f"white is {error.white_du_v:.4f} from {target.name} ({target.white_du_v:g} let pass), the greys drift by"
            f" {error.drift_du_v:.4f} ({target.drift_du_v:g} let pass), in u'v'"
        )
    return GreyStanding(standing=standing, newest=newest, readings=len(rounds), words=words, stale=_since(job, newest))


def _since(job: JobPage, newest: GreyRoundRecord) -> str:
    """What was done after a reading that may have changed the greys."""
    done = {
        "something was turned": [one.at for one in job.moves if not one.undone],
        "a gun was treated": [one.at for one in job.treatments],
        "something was mended": [one.at for one in job.repairs if one.repair.outcome == "mended"],
    }
    return ", ".join(words for words, moments in done.items() if any(at > newest.at for at in moments))
