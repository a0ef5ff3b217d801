"""The words of a quote: what each option is, what it gives and what may go wrong, as a customer reads them."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

from tubewright.answers.assessment import Assessment, Figure, OptionAnswer, PlanStep, Unknown
from tubewright.judgement.quote_money import Sum, money

NAMES: Final = {
    "leave": "Leave the tube as it is",
    "adjust": "Set the picture up anew",
    "find_fault_first": "Find the fault and mend it",
    "clean_contacts": "Clean the tube's contacts",
    "soak": "Rest the tube at its working heat",
    "run_in": "Run the tube in",
    "short_boost": "Heat the tube up for a short while",
    "clean": "Clean the tube's cathodes",
    "activate": "Activate the tube's cathodes strongly",
    "clear_short": "Clear a short inside the tube",
    "isolate_heater": "Give the tube's heater a supply of its own",
    "boost_heater": "Run the tube hotter for good",
    "swap_tube": "Fit another picture tube",
    "replace_display": "Fit another display",
    "retire": "Take the display out of service",
}
"""Each option as a customer would say it."""

_WHAT: Final = {
    "leave": "Nothing is done to the picture tube. The display goes back with the picture it has.",
    "adjust": (
        "Brightness, black and the balance of the colours are set anew, as far as this tube allows. "
        "The tube itself is left alone."
    ),
    "find_fault_first": (
        "The trouble lies most likely outside the picture tube. We test step by step until the fault is found, "
        "and mend it."
    ),
    "clean_contacts": "Pins and socket of the tube are cleaned, and its supplies are checked. Nothing is risked.",
    "soak": "The tube is kept at its normal working heat for many hours without a picture, and read again.",
    "run_in": "The tube runs with a normal picture for many hours, and is read again.",
    "short_boost": "The cathodes are heated above their rating for a short while, without drawing a beam.",
    "clean": "A small current cleans the surface of the worn cathodes.",
    "activate": "A stronger current forms the surface of the worn cathodes anew. It takes some of what is left.",
    "clear_short": "A short between parts inside the tube is burnt away.",
    "isolate_heater": "The heater gets a winding of its own, so that a leak inside the tube no longer shows.",
    "boost_heater": "The heater runs hotter from now on. The picture gets brighter and the tube wears faster.",
    "swap_tube": "Another tube, read as good, goes into this display, and the picture is set up anew.",
    "replace_display": "Another working display takes this one's place.",
    "retire": "The display is taken apart safely; what is good is kept as spares, the glass is disposed of.",
}

_WRONG: Final = {
    "leave": "The picture gets no better, and fades on as before.",
    "adjust": "A worn colour can't be set brighter than its gun still is.",
    "find_fault_first": "There may be more than one fault; a second one would be quoted for on its own.",
    "soak": "The gain may go back within days; we read it again before the display leaves.",
    "run_in": "The gain may go back within days; we read it again before the display leaves.",
    "short_boost": "The gain may go back within days; we read it again before the display leaves.",
    "clean": "The gain may not last; each such treatment takes some of what the cathode has left.",
    "activate": "It can't be undone and not often be repeated; the gain may not last.",
    "clear_short": "The short may come back, or take the gun with it.",
    "isolate_heater": "Fine detail of that colour may smear a little.",
    "boost_heater": "The tube's remaining life gets shorter.",
    "swap_tube": "The other tube is used as well: it may turn out weaker than it read, or need its own yoke.",
    "replace_display": "The other display is used as well, and its life as uncertain as any.",
    "retire": "There is no way back once it is taken apart.",
}


STEPWISE_NAME: Final = "Restore the tube, step by step"
STEPWISE_WHAT: Final = (
    "The gentlest treatment first. After each step the tube is read again, and we stop as soon as it is good enough."
)
STEPWISE_WRONG: Final = (
    "Each stronger step risks a little more, and takes some of what the cathodes have left.",
    "The gain may go back within days; we read it again before the display leaves.",
)


UNMENDED: Final = "The fault outside the tube stays. What is said of this option holds once that is mended as well."
AFTER_SEARCH: Final = "Once the fault is mended, for the tube"
IF_NOT_BACK: Final = "If that doesn't bring it back"


def follows(step: PlanStep) -> str:
    """A step that comes after the recommended option, with the chance of it."""
    if step.chance_reached >= 0.975:
        return f"{name_of(step.do)}."
    return f"{name_of(step.do)}: it comes to that in {chance(step.chance_reached)} such cases."


def name_of(option: str) -> str:
    """An option by its name."""
    return NAMES.get(option, option.replace("_", " ").capitalize())


def what_of(option: str) -> str:
    """What an option is."""
    return _WHAT.get(option, "")


def wrong_of(option: OptionAnswer) -> tuple[str, ...]:
    """What may go wrong with an option."""
    found = []
    if option.success is not None and option.id not in {"leave", "retire"}:
        fails = 1 - option.success
        if fails >= 0.005:
            found.append(fails_words(fails))
    if option.risk_of_loss:
        found.append(lost_words(option.risk_of_loss))
    if option.id in _WRONG:
        found.append(_WRONG[option.id])
    return tuple(found)


def chance(share: float) -> str:
    """A chance as so many cases of ten, twenty or a hundred.

    >>> chance(0.72), chance(0.04), chance(0.001), chance(1.0)
    ('about 7 of 10', 'about 1 of 25', 'fewer than 1 of 100', 'nearly all')
    """
    if share >= 0.975:
        return "nearly all"
    if share >= 0.15:
        return f"about {round(10 * share)} of 10"
    if share < 0.01:
        return "fewer than 1 of 100"
    return f"about 1 of {round(1 / share) if share > 0.05 else 5 * round(0.2 / share)}"


def success_words(share: float, minimum_white: float) -> str:
    """The chance that the picture is good enough afterwards."""
    wanted = round(100 * minimum_white)
    return f"In {chance(share)} such cases the picture then has the white you asked for ({wanted} %)."


def fails_words(share: float) -> str:
    """The chance that it isn't."""
    return f"In {chance(share)} such cases the picture is not good enough afterwards."


def lost_words(share: float) -> str:
    """The chance that the tube is lost by it."""
    return f"In {chance(share)} such cases a gun, and with it the tube, is lost by it."


def years(figure: Figure) -> str:
    """How long, with its range.

    >>> from tubewright.answers.assessment import Spread
    >>> years(Spread(median=4.1, p10=1.6, p90=8.3))
    'between 1½ and 8 years, 4 most likely'
    >>> years(Spread(median=0.0, p10=0.0, p90=4.2))
    'most likely not at all, at best 4 years'
    """
    if isinstance(figure, Unknown):
        return f"not known: {figure.reason}"
    low, middle, high = (_half(value) for value in (figure.p10, figure.median, figure.p90))
    if middle == "0":
        return "not at all" if high == "0" else f"most likely not at all, at best {high} {_noun(high)}"
    if low == high:
        return f"about {middle} {_noun(middle)}"
    if low == "0":
        return f"up to {high} {_noun(high)}, {middle} most likely"
    return f"between {low} and {high} {_noun(high)}, {middle} most likely"


def at_best(value: float) -> str:
    """The most that can be hoped for.

    >>> at_best(3.4), at_best(0.6)
    ('3½ years', '½ year')
    """
    said = _half(value)
    return f"{said} {_noun(said)}"


def _half(value: float) -> str:
    """Years in halves up to five, and whole above."""
    if value >= 5:
        return f"{value:.0f}"
    halves = round(2 * value)
    whole, half = divmod(halves, 2)
    return f"{whole or ''}{'½' if half else ''}" or "0"


def _noun(number: str) -> str:
    return "year" if number in {"1", "½"} else "years"


def brightness(option: OptionAnswer, answer: Assessment) -> str:
    """What white the picture has afterwards, where the verdict says it."""
    if option.id in {"retire", "replace_display"}:
        return ""
    figure = answer.neutral_white_after if option.id == answer.decision else None
    if option.id == "leave":
        figure = answer.neutral_white_now
    if figure is None or isinstance(figure, Unknown):
        return "" if figure is None else f"not known: {figure.reason}"
    low, middle, high = (round(100 * value) for value in (figure.p10, figure.median, figure.p90))
    if low == high:
        return f"white at about {middle} % of a good tube's"
    return f"white between {low} and {high} % of a good tube's, {middle} % most likely"


def price_words(total: Sum, low_high: tuple[Decimal, Decimal] | None, currency: str, tax_name: str) -> str:
    """A price with its range; one below nothing is what the shop gives."""
    taxed = f", {tax_name} included" if total.tax else ""
    if total.total < 0:
        said = f"we give you {money(-total.total, currency)}{taxed}"
        if low_high is None or low_high[1] > 0:
            return said
        return f"{said}; it may come to between {-low_high[1]:,} and {-low_high[0]:,} {currency}"
    said = f"{money(total.total, currency)}{taxed}"
    if low_high is None or low_high[0] == low_high[1]:
        return said
    return f"{said}; it may come to between {low_high[0]:,} and {low_high[1]:,} {currency}"
