"""Figures in the words people use: rounded to what they can bear, never to more.

A forecast of 5.7 months that may as well be 3 or 9 is said as "about 6 months
(3 to 9)". The exact figures stand in the JSON answer.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final, TypeAlias

from tubewright.answers.assessment import Figure, Unknown

MONTHS_PER_YEAR: Final = 12
LONGEST_YEARS: Final = 40
"""Beyond this a forecast in years says nothing; other parts of the set are the limit (estimate)."""

NOT_KNOWN: Final = "not known"
NOTHING: Final = "–"
"""Where there is nothing to say, which is not the same as not knowing."""

Writer: TypeAlias = Callable[[float], str]


def rounded(value: float, digits: int = 2) -> str:
    """A figure with so many significant digits, written without an exponent.

    Example:
        >>> rounded(2140), rounded(0.0334), rounded(57.3)
        ('2100', '0.033', '57')
    """
    if not math.isfinite(value):
        return "no end seen" if value > 0 else NOT_KNOWN
    if value == 0:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    return f"{round(value, places):.{max(places, 0)}f}"


def chance(probability: float | None) -> str:
    """A chance in percent: in steps of five where it is open, finer towards the ends.

    Example:
        >>> chance(0.57), chance(0.034), chance(0.004), chance(0.998)
        ('55 %', '3 %', 'under 1 %', 'over 99 %')
    """
    if probability is None or not math.isfinite(probability):
        return NOT_KNOWN
    if probability < 0.005:
        return "under 1 %" if probability > 0 else "0 %"
    if probability > 0.995:
        return "over 99 %" if probability < 1 else "100 %"
    step = 5 if 0.1 <= probability <= 0.9 else 1
    return f"{round(probability * 100 / step) * step} %"


def percentage(probability: float | None) -> str:
    """A chance as under :func:`chance`, for a column whose heading has the percent sign.

    Example:
        >>> percentage(0.57), percentage(None)
        ('55', 'not known')
    """
    return chance(probability).removesuffix(" %")


def given(value: float) -> str:
    """A figure that somebody chose, as they would write it.

    Example:
        >>> given(6.0), given(2.5)
        ('6', '2.5')
    """
    return f"{value:.4g}"


def money(amount: float | None) -> str:
    """An amount without its currency, rounded to what an estimate can bear.

    Example:
        >>> money(37.4), money(183), money(1234), money(3.2)
        ('37', '185', '1230', '3')
    """
    if amount is None or not math.isfinite(amount):
        return NOT_KNOWN
    step = 1 if abs(amount) < 50 else 5 if abs(amount) < 500 else 10
    whole = round(amount / step) * step
    return "under 1" if whole == 0 < amount else str(whole)


def percent(figure: Figure) -> str:
    """A spread of a ratio as percent with its range, without the sign.

    Example:
        >>> from tubewright.answers.assessment import Spread
        >>> percent(Spread(median=0.5, p10=0.41, p90=0.6))
        '50 (41 to 60)'
    """
    return plain(figure, lambda value: f"{100 * value:.0f}")


def ratio(figure: Figure) -> str:
    """A spread of a pure number with its range, two digits each.

    Example:
        >>> from tubewright.answers.assessment import Spread
        >>> ratio(Spread(median=1.234, p10=0.98, p90=1.9))
        '1.2 (0.98 to 1.9)'
    """
    return plain(figure, rounded)


def whole(figure: Figure) -> str:
    """A spread in whole units with its range, without the unit."""
    return plain(figure, lambda value: f"{value:.0f}")


def plain(figure: Figure, write: Writer = rounded) -> str:
    """Median and range, each written by ``write``; one figure where the range is none."""
    if isinstance(figure, Unknown):
        return NOT_KNOWN
    middle, low, high = write(figure.median), write(figure.p10), write(figure.p90)
    return middle if low == high else f"{middle} ({low} to {high})"


def duration(years: Figure) -> str:
    """A time with its range, in months where it is short and in years where it is long.

    Example:
        >>> from tubewright.answers.assessment import Spread
        >>> duration(Spread(median=4.1, p10=1.6, p90=8.3))
        'about 4 years (1½ to 8)'
        >>> duration(Spread(median=0.48, p10=0.25, p90=0.76))
        'about 6 months (3 to 9)'
        >>> duration(Spread(median=0, p10=0, p90=4.2))
        'most likely not at all (up to 4 years)'
        >>> duration(Spread(median=1.9, p10=0.4, p90=5.2))
        'about 2 years (5 months to 5 years)'
    """
    if isinstance(years, Unknown):
        return NOT_KNOWN
    low, middle, high = (_time(value) for value in (years.p10, years.median, years.p90))
    if years.median == 0:
        return "not at all" if years.p90 == 0 else f"most likely not at all (up to {_joined(high)})"
    if middle[0] == "0":
        return "less than a month" if high == middle else f"less than a month (up to {_joined(high)})"
    if middle[1] == "":
        return middle[0] if low == middle else f"{middle[0]} (at least {_joined(low)})"
    if low == high:
        return f"about {_joined(middle)}"
    same = low[1].rstrip("s") == high[1].rstrip("s") == middle[1].rstrip("s")
    span = f"{low[0]} to {high[0]}" if same and low[0] != "0" else f"{_joined(low)} to {_joined(high)}"
    return f"about {_joined(middle)} ({span})"


def minutes(value: float | None) -> str:
    """Bench time: minutes up to an hour and a half, then hours.

    Example:
        >>> minutes(8), minutes(720), minutes(None)
        ('8 min', '12 h', 'not known')
    """
    if value is None or not math.isfinite(value):
        return NOT_KNOWN
    if value < 1:
        return "under 1 min" if value > 0 else "no time"
    if value < 90:
        return f"{value:.0f} min"
    hours = value / 60
    return f"{_halves(hours) if hours < 10 else f'{hours:.0f}'} h"


def listed(words: tuple[str, ...] | list[str], last: str = "and") -> str:
    """Words in a row.

    Example:
        >>> listed(("red", "green", "blue"))
        'red, green and blue'
    """
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def _time(years: float) -> tuple[str, str]:
    """Number and unit of a time; no unit where the words say it all."""
    if not math.isfinite(years) or years > LONGEST_YEARS:
        return f"over {LONGEST_YEARS} years", ""
    months = round(years * MONTHS_PER_YEAR)
    if months < 18:
        return str(months), "month" if months == 1 else "months"
    number = _halves(years) if years < 5 else f"{years:.0f}"
    return number, "years"


def _joined(time: tuple[str, str]) -> str:
    return "under a month" if time[0] == "0" else " ".join(part for part in time if part)


def _halves(value: float) -> str:
    """A figure in halves: 1½, 2, 2½."""
    doubled = round(2 * value)
    return f"{doubled // 2 or ''}{'½' if doubled % 2 else ''}" or "0"
