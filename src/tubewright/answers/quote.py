"""What would it cost, what does it bring, and what may go wrong? A quote from a verdict.

One pure function. A price is bench time at the shop's rate, what must be bought, and tax;
where one of these isn't known there is no price, and the quote says what is missing.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final, get_args

from tubewright.answers import quote_words as words
from tubewright.answers.assessment import Assessment, OptionAnswer, PlanStep, Spread, Unknown
from tubewright.answers.diagnosed import Diagnosed
from tubewright.answers.quote_answer import ClosedOption, IfNeeded, OptionQuote, Price, Quote
from tubewright.answers.quote_lines import ExtraLine, Header, PartLine, extra_lines, part_lines, parts_missing
from tubewright.answers.quote_terms import ShopTerms
from tubewright.case import Costs, TreatmentKind
from tubewright.judgement.quote_effort import (
    GIVES_UP,
    Effort,
    Goods,
    Range,
    SuspectWork,
    Work,
    effort_of,
    needs_parts,
    search_range,
    time_range,
)
from tubewright.judgement.quote_money import Line, add_up, exact, known, money, priced, round_figure
from tubewright.knowledge.model import FaultCause, Knowledge

SEARCH: Final = "find_fault_first"
LIKELY: Final = 0.5  # by definition: as likely as not
RARELY: Final = 0.1  # by definition: one case in ten
LEAST_HELP: Final = 0.05  # common practice: what helps fewer than one in twenty isn't offered
_AFTER_STEPS: Final = Unknown(
    reason="it depends on the step that brings it back", would_settle="the readings after that step"
)
_TREATMENTS: Final = frozenset(get_args(TreatmentKind))


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a quote is made from, beside the verdict.

    ``found`` are faults found and not yet mended; ``parts`` what the job has reserved or used;
    ``parts_complete`` says that these, and the typed lines, are all the parts it takes.
    """

    header: Header
    terms: ShopTerms
    costs: Costs
    day: dt.date
    found: Sequence[FaultCause] = ()
    parts: Sequence[PartLine] = ()
    parts_complete: bool = False
    extras: Sequence[ExtraLine] = ()
    diagnosed: Diagnosed | None = None


def quote(answer: Assessment, asked: Asked, knowledge: Knowledge) -> Quote:
    """Make a quote from a verdict.

    Args:
        answer: The verdict, with its options.
        asked: Whom it is for, the shop's terms, and what the job needs beside the tube.
        knowledge: The trade's hours.

    Returns:
        The quote; the verdict's decision is the recommended option, and comes first.
    """
    terms, costs = asked.terms, asked.costs
    maker = _Maker(answer, asked, knowledge)
    options = [maker.option(option) for option in maker.offered()]
    missing = []
    if not maker.currency:
        missing.append("the currency: set the shop's, or the job's")
    if maker.rate is None:
        missing.append("the bench rate an hour: set the shop's, or the job's")
    return Quote(
        header=asked.header,
        terms=terms,
        day=asked.day,
        valid_until=asked.day + dt.timedelta(days=terms.valid_days) if terms.valid_days else None,
        currency=maker.currency,
        rate_per_hour=maker.rate,
        headline=answer.headline,
        recommended=answer.decision,
        options=tuple(options),
        closed=maker.closed(),
        follows_lead=words.AFTER_SEARCH if answer.decision == SEARCH else words.IF_NOT_BACK,
        follows=maker.follows(),
        notes=_notes(maker, options, costs),
        missing=tuple(missing),
        model_version=answer.model.version,
        seed=answer.model.seed,
    )


class _Maker:
    """Works the options of one quote out."""

    def __init__(self, answer: Assessment, asked: Asked, knowledge: Knowledge) -> None:
        self.answer, self.asked, self.knowledge = answer, asked, knowledge
        costs, terms = asked.costs, asked.terms
        self.currency = costs.currency or terms.currency
        given = costs.bench_rate_per_hour
        self.rate = terms.rate_per_hour if given is None else exact(given)
        self.parts = part_lines(asked.parts, self.currency)
        self.extras = extra_lines(asked.extras, self.currency)
        steps = [step for step in answer.plan if step.do in _TREATMENTS]
        self.ladder = steps if answer.decision in _TREATMENTS and len(steps) > 1 else []

    def offered(self) -> list[OptionAnswer]:
        """The options worth a customer's time, the recommended one first.

        A treatment that isn't the next step is no option by itself: the plan has it where it belongs.
        """
        decision = self.answer.decision
        shown = [o for o in self.answer.options if not o.why_not and (o.id == decision or self._worth(o))]
        shown.sort(key=lambda o: o.id != decision)
        if decision == SEARCH:
            shown.insert(0, _search_option())
        return shown

    @staticmethod
    def _worth(option: OptionAnswer) -> bool:
        helps = option.id != "adjust" or (option.success or 0.0) >= LEAST_HELP
        return option.id not in _TREATMENTS and helps

    def closed(self) -> tuple[ClosedOption, ...]:
        """What isn't quoted for: what can't be had or done, and what isn't next."""
        offered = {option.id for option in self.offered()} | {step.do for step in self.ladder}
        why = {True: "not the next step for this tube", False: "it would hardly help this tube"}
        return tuple(
            ClosedOption(id=o.id, name=words.name_of(o.id), why=o.why_not or why[o.id in _TREATMENTS])
            for o in self.answer.options
            if o.id not in offered
        )

    def follows(self) -> tuple[str, ...]:
        """What comes if the recommended option doesn't bring it back."""
        own = {step.do for step in self.ladder} | {self.answer.decision}
        return tuple(words.follows(step) for step in self.answer.plan if step.do not in own)

    def option(self, option: OptionAnswer) -> OptionQuote:
        """One option with its lines and its price."""
        ladder = self.ladder if option.id == self.answer.decision else []
        works, goods, unknown = self._effort(option)
        likely, further = self._steps(ladder)
        span = self._span(option, works, ladder)
        lines = self._lines(option, [*works, *likely], goods, span)
        missing = self._missing(option, goods, unknown)
        price = self._price(lines, span) if not missing and known(lines) else None
        success = self.answer.plan_success if ladder else option.success
        return OptionQuote(
            id=option.id,
            name=words.STEPWISE_NAME if ladder else words.name_of(option.id),
            guns=option.guns,
            recommended=option.id == self.answer.decision,
            what=words.STEPWISE_WHAT if ladder else words.what_of(option.id),
            steps=tuple(step.do for step in ladder),
            lines=lines,
            if_needed=tuple(IfNeeded(line=self._timed(work), chance=share) for work, share in further),
            price=price,
            before_parts="" if price is not None else self._before_parts(lines, span),
            missing=missing,
            success=None if option.id in {"retire", SEARCH} else success,
            keep_chance=None if ladder else option.chance_of_keep_years,
            years=_AFTER_STEPS if ladder else option.years,
            chance_words="" if success is None or option.id in {"retire", SEARCH} else words.chance(success),
            years_words=self._years(option, ladder),
            gives=self._gives(option, success, ladder),
            may_go_wrong=(*self._unmended(option), *self._wrong(option, success, ladder)),
        )

    def _gives(self, option: OptionAnswer, success: float | None, ladder: Sequence[PlanStep]) -> tuple[str, ...]:
        if option.id in {"retire", SEARCH}:
            return ()
        found = [] if success is None else [words.success_words(success, self.answer.minimum_white)]
        light = words.brightness(option, self.answer)
        if light:
            found.append(f"{light[:1].upper()}{light[1:]}.")
        if not ladder:
            return (*found, f"How long it stays good enough: {words.years(option.years)}.")
        return (*found, f"How long it then stays good enough {self._years(option, ladder)}.")

    def _years(self, option: OptionAnswer, ladder: Sequence[PlanStep]) -> str:
        if option.id in {"retire", SEARCH}:
            return ""
        if not ladder:
            return words.years(option.years)
        steps = {step.do for step in ladder}
        best = [o.years.p90 for o in self.answer.options if o.id in steps and isinstance(o.years, Spread)]
        at_best = f"; at best {words.at_best(max(best))}" if best else ""
        return f"shows when the tube is read again afterwards{at_best}"

    def _wrong(self, option: OptionAnswer, success: float | None, ladder: Sequence[PlanStep]) -> tuple[str, ...]:
        if not ladder:
            return words.wrong_of(option)
        # Each step risks the tube only in the cases that come to it.
        risks = {o.id: o.risk_of_loss or 0.0 for o in self.answer.options}
        lost = sum(step.chance_reached * risks.get(step.do, 0.0) for step in ladder)
        found = [] if success is None else [words.fails_words(1 - success)]
        return (*found, *([words.lost_words(lost)] if lost else []), *words.STEPWISE_WRONG)

    def _unmended(self, option: OptionAnswer) -> tuple[str, ...]:
        """What an option leaves as it is, where the trouble lies outside the tube."""
        if self.answer.decision != SEARCH or option.id == SEARCH or option.id in GIVES_UP:
            return ()
        return (words.UNMENDED,)

    def _effort(self, option: OptionAnswer) -> tuple[tuple[Work, ...], tuple[Goods, ...], tuple[str, ...]]:
        """Work, goods and what can't be told; the steps of a plan come by themselves."""
        own = (
            self._search_effort()
            if option.id == SEARCH
            else effort_of(option.id, option.guns, self.asked.costs, self.knowledge)
        )
        works = () if self.ladder and option.id == self.answer.decision else own.works
        if option.id in GIVES_UP:
            return works, own.goods, own.unknown
        mending = tuple(
            Work(key=f"repair:{fault.id}", words=f"Mend: {fault.name}", minutes=fault.minutes)
            for fault in self.asked.found
        )
        unknown = () if self.asked.parts_complete else self._parts_of(self.asked.found)
        return (*mending, *works), own.goods, (*unknown, *own.unknown)

    def _steps(self, ladder: Sequence[PlanStep]) -> tuple[list[Work], list[tuple[Work, float]]]:
        """The steps of a plan that are more likely than not, and the others with their chances."""
        likely: list[Work] = []
        further: list[tuple[Work, float]] = []
        for step in ladder:
            work = self._step_work(step)
            if step.chance_reached >= LIKELY:
                likely.append(work)
            else:
                further.append((work, step.chance_reached))
        return likely, further

    def _step_work(self, step: PlanStep) -> Work:
        """A step of a plan and the readings after it, as one line."""
        own = effort_of(step.do, step.guns, self.asked.costs, self.knowledge).works
        name = f"{words.name_of(step.do)}, and read it again"
        return Work(key=f"work:{step.do}", words=name, minutes=sum(work.minutes for work in own))

    def _parts_of(self, faults: Sequence[FaultCause]) -> tuple[str, ...]:
        return tuple(f"price of the parts to mend {fault.name}" for fault in faults if needs_parts(fault))

    def _suspects(self) -> tuple[SuspectWork, ...]:
        told = self.asked.diagnosed
        if told is None:
            return ()
        faults = self.knowledge.faults
        mended = {fault.id for fault in self.asked.found}
        return tuple(
            SuspectWork(fault=faults[one.id], probability=one.probability)
            for one in told.faults
            if one.state == "suspected" and one.id in faults and one.id not in mended
        )

    def _search_effort(self) -> Effort:
        """The time is a range of its own; what parts it takes is known once the fault is."""
        suspects = self._suspects()
        if not suspects and not self.asked.found:
            return Effort(unknown=("time of the search: no suspect yet; note what the display does, and test",))
        if any(needs_parts(s.fault) for s in suspects) and not self.asked.parts_complete:
            return Effort(unknown=("price of the parts: what it takes is known once the fault is found",))
        return Effort()

    def _search_minutes(self) -> float:
        told = self.asked.diagnosed
        if told is None or not told.next_tests:
            return 0.0
        return told.next_tests[0].minutes + told.next_tests[0].access_minutes

    def _span(self, option: OptionAnswer, works: Sequence[Work], ladder: Sequence[PlanStep]) -> Range:
        """Bench time of an option: of its work, of the search, of as many steps as it may take."""
        if ladder:
            # As many steps as nine in ten cases need, half of them, and one in ten.
            spans = [
                time_range([*works, *(self._step_work(s) for s in ladder if s.chance_reached > share)])
                for share in (1 - RARELY, LIKELY, RARELY)
            ]
            likely = time_range([*works, *self._steps(ladder)[0]]).likely_minutes
            return Range(
                low_minutes=min(likely, spans[0].low_minutes),
                likely_minutes=likely,
                high_minutes=max(likely, spans[2].high_minutes),
            )
        span = time_range(works)
        search = search_range(self._suspects(), self._search_minutes()) if option.id == SEARCH else None
        if search is None:
            return span
        return Range(
            low_minutes=span.low_minutes + search.low_minutes,
            likely_minutes=span.likely_minutes + search.likely_minutes,
            high_minutes=span.high_minutes + search.high_minutes,
        )

    def _lines(
        self, option: OptionAnswer, works: Sequence[Work], goods: Sequence[Goods], span: Range
    ) -> tuple[Line, ...]:
        works = list(works)
        searched = span.likely_minutes - sum(work.minutes for work in works)
        if option.id == SEARCH and searched > 0:
            works.append(Work(key="work:search", words="Find the fault and mend it", minutes=searched))
        found = [*(self._timed(work) for work in works), *(self._goods(one) for one in goods)]
        if option.id not in GIVES_UP:
            found += self.parts
        return (*found, *self.extras)

    def _timed(self, work: Work) -> Line:
        return priced(
            key=work.key,
            words=work.words,
            quantity=exact(work.minutes).quantize(Decimal(1)),
            counted="min",
            unit_price=self.rate,
            currency=self.currency,
            basis="usual time",
        )

    def _goods(self, goods: Goods) -> Line:
        return priced(
            key=goods.key,
            words=goods.words,
            quantity=Decimal(1),
            counted="piece",
            unit_price=None if goods.price is None else exact(goods.price),
            currency=self.currency,
            taxed=goods.taxed,
        )

    def _missing(self, option: OptionAnswer, goods: Sequence[Goods], unknown: Sequence[str]) -> tuple[str, ...]:
        found = list(unknown)
        found += [f"price of {one.words[:1].lower()}{one.words[1:]}" for one in goods if one.price is None]
        if option.id not in GIVES_UP:
            found += parts_missing(self.asked.parts, self.currency)
        return tuple(found)

    def _price(self, lines: Sequence[Line], span: Range) -> Price:
        total = add_up(lines, self.asked.terms.tax_percent, self.currency)
        low, high = self._ends(span, total.total)
        ends = None if low is None or high is None else (low, high)
        said = words.price_words(total, ends, self.currency, self.asked.terms.tax_name or "tax")
        return Price(sum=total, low=low, high=high, words=said)

    def _ends(self, span: Range, likely: Decimal) -> tuple[Decimal | None, Decimal | None]:
        """The round figures between which a total may come out, tax and all."""
        if self.rate is None or span.low_minutes >= span.high_minutes:
            return None, None
        with_tax = 1 + self.asked.terms.tax_percent / Decimal(100)
        per_minute = self.rate * with_tax / Decimal(60)
        low = likely + exact(span.low_minutes - span.likely_minutes) * per_minute
        high = likely + exact(span.high_minutes - span.likely_minutes) * per_minute
        if low == high:
            return None, None
        return round_figure(low, up=False), round_figure(high, up=True)

    def _before_parts(self, lines: Sequence[Line], span: Range) -> str:
        """What is known where a price isn't: the bench time, in money."""
        if self.rate is None or not self.currency or span.likely_minutes <= 0:
            return ""
        timed = [line for line in lines if line.counted == "min" and line.amount is not None]
        total = add_up(timed, self.asked.terms.tax_percent, self.currency)
        low, high = self._ends(span, total.total)
        if low is None or high is None:
            return f"Bench time alone: {money(total.total, self.currency)}."
        name = f", {self.asked.terms.tax_name or 'tax'} included" if total.tax else ""
        return f"Bench time alone: between {low:,} and {high:,} {self.currency}{name}; {total.total:,} most likely."


def _notes(maker: _Maker, options: Sequence[OptionQuote], costs: Costs) -> tuple[str, ...]:
    """What a reader should know of the prices."""
    found = []
    if maker.rate is not None and maker.currency:
        agreed = "" if costs.bench_rate_per_hour is None else ", as agreed for this job"
        tax = f", before {maker.asked.terms.tax_name or 'tax'}" if maker.asked.terms.tax_percent else ""
        found.append(f"Bench time is reckoned at {money(maker.rate, maker.currency)} an hour{agreed}{tax}.")
    if any(option.price is not None and option.price.low is not None for option in options):
        found.append("Where a price has a range, about 8 of 10 such jobs stay within it.")
    return tuple(found)


def _search_option() -> OptionAnswer:
    """The search as an option: what it brings is known once the fault is."""
    unknown = Unknown(reason="the fault isn't found yet", would_settle="the search itself")
    return OptionAnswer(
        id=SEARCH,
        name=words.name_of(SEARCH),
        guns=(),
        success=None,
        hours=unknown,
        years=unknown,
        chance_of_keep_years=None,
        cost=None,
        cost_per_year=None,
        risk_of_loss=None,
    )
