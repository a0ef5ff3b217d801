"""What ``proof`` answers, as frozen values (public contract, format 1)."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias

from tubewright.answers.assessment import Figure
from tubewright.answers.proof_work import Checked, Given, TakenPicture
from tubewright.case import Gun

FORMAT: Final = 1
Verdict: TypeAlias = Literal["better", "worse", "same", "changed", "unknown"]

VERDICT_WORDS: Final[dict[Verdict, str]] = {
    "better": "better",
    "worse": "worse",
    "same": "no change beyond doubt",
    "changed": "changed",
    "unknown": "not known",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One figure before and after.

    Attributes:
        name: Its name in the published form.
        about: What it is, in words.
        unit: Its unit; ``ratio`` for a share that is shown in percent.
        before: As it came, with its doubt (10, 50 and 90 % points); or why it isn't known.
        after: As it goes.
        verdict: ``better`` or ``worse`` only beyond doubt; ``changed`` where neither way is better.
        why: Why it is not known; "" otherwise.
        group: The part of the picture that it belongs to.
        unit_before: Unit of ``before`` where it is another.
        words_before: Its class in words, where there are classes.
        words_after: The same afterwards.
    """

    name: str
    about: str
    unit: str
    before: Figure
    after: Figure
    verdict: Verdict
    why: str
    group: str = ""
    unit_before: str = ""
    words_before: str = ""
    words_after: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class GunProof:
    """One gun: its readings, and its state in words; ``state_after`` is "" where it wasn't read again."""

    gun: Gun
    lines: tuple[Line, ...]
    state_before: str
    state_after: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PictureProof:
    """The picture measured twice: where the two come from, what makes them hard to compare, and each figure."""

    before: TakenPicture | None
    after: TakenPicture | None
    unlike: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Proof:
    """The whole comparison.

    Attributes:
        exchanged: Another tube is in the display than the one that came.
        as_of: The moment that papers about it bear.
        minimum_white_ratio: The white wanted, as a share of what a good tube makes.
        hours_assumed: Nobody said how many hours a week it runs; the usual number was taken.
        shared: Readings that name no gun.
        white: White that the weakest gun allows, as a share of a good tube's.
        years: Until the white falls below what is wanted, left as it is.
        hours: The same in hours of use.
        years_set_up: The same in years, with the grey scale set anew.
        came: What it came with, in words.
        found: What was found.
        done: What was done.
        remains: What was not done, or remains.
        expect: What to expect of it.
        verdicts: The first and the last that were given.
    """

    job: int
    label: str
    owner: str
    place: str
    tube_label: str
    exchanged: bool
    state: str
    opened_at: dt.datetime
    as_of: dt.datetime
    headline: str
    minimum_white_ratio: float
    hours_per_week: float
    hours_assumed: bool
    keep_years: float
    guns: tuple[GunProof, ...]
    shared: tuple[Line, ...]
    white: Line
    years: Line
    hours: Line
    years_set_up: Line
    picture: PictureProof
    grey: tuple[Line, ...]
    came: tuple[str, ...]
    found: tuple[str, ...]
    done: tuple[str, ...]
    remains: tuple[str, ...]
    expect: tuple[str, ...]
    checks: tuple[Checked, ...]
    verdicts: tuple[Given, ...]
    model_version: str
    seed: int

    def with_words(
        self,
        *,
        headline: str | None = None,
        remains: tuple[str, ...] | None = None,
        expect: tuple[str, ...] | None = None,
    ) -> Proof:
        """The same with these words; None leaves what is there."""
        return replace(
            self,
            headline=self.headline if headline is None else headline,
            remains=self.remains if remains is None else remains,
            expect=self.expect if expect is None else expect,
        )
