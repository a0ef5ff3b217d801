"""``replay``: what was said then, beside what would be said today."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tubewright.cli import settings
from tubewright.cli.door import emit, emit_json
from tubewright.cli.shop import ShopOption, job_of_verdict, known, no_verdict, number_of, open_shop
from tubewright.errors import Fault, InputError

if TYPE_CHECKING:
    from tubewright.records.model import VerdictRecord
    from tubewright.records.store import Store


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("replay", epilog="Example: tubewright replay 12")(replay)


def replay(
    verdict: Annotated[str, typer.Argument(metavar="VERDICT", help="A verdict's number, or job:7 for its last one.")],
    *,
    as_json: Annotated[bool, typer.Option("--json", help="Write both answers as JSON.")] = False,
    shop: ShopOption = None,
) -> None:
    """Set a verdict of then beside the answer of today.

    The same case is judged again, by this version and with what the shop knows now.
    """
    with open_shop(shop) as store:
        kept = _verdict(store, verdict)
        learned = store.experience()
    from tubewright.answers.assess import assess as judge
    from tubewright.answers.assessment import to_json
    from tubewright.files import read_case

    then: dict[str, Any] = json.loads(kept.answer_json)
    # Without the knowledge: an id that has left the catalogue must not stop a replay.
    case = read_case(kept.case_json.encode(), f"verdict {kept.id}.json")
    futures = int(then.get("model", {}).get("futures", 100_000))
    today = to_json(judge(case, known(shop), learned, seed=kept.seed, futures=futures))
    if as_json:
        emit_json({"verdict": kept.id, "given_at": kept.at.isoformat(), "then": then, "today": today})
        return
    _emit(kept, then, today)


def _verdict(store: Store, named: str) -> VerdictRecord:
    if named.startswith("job:"):
        verdicts = store.job(number_of(named, "job")).verdicts
        if not verdicts:
            raise InputError(
                Fault(what="this job has no verdict yet", where=named, mend=f"tubewright assess {named} --keep")
            )
        return verdicts[-1]
    number = number_of(named, "verdict")
    for verdict in store.job(job_of_verdict(store, number)).verdicts:
        if verdict.id == number:
            return verdict
    raise no_verdict(number)


def _emit(kept: VerdictRecord, then: Mapping[str, Any], today: Mapping[str, Any]) -> None:
    from tubewright.report.describe import Column, Paragraph, Table
    from tubewright.report.text import blocks_to_text

    same = then.get("decision") == today.get("decision")
    verdict = Paragraph(text="The decision is the same." if same else "The decision is another one.", strong=True)
    table = Table(
        caption=f"Verdict {kept.id}, given on {kept.at:%Y-%m-%d %H:%M} UTC",
        columns=(Column(heading="What"), Column(heading="Then"), Column(heading="Today")),
        rows=tuple((name, _words(then, path), _words(today, path)) for name, path in _ROWS),
    )
    emit(blocks_to_text([verdict, table], width=settings.columns(), colour=settings.colour()))


_ROWS = (
    ("Decision", ("decision",)),
    ("Headline", ("headline",)),
    ("Confidence, %", ("confidence",)),
    ("Neutral white now, %", ("neutral_white", "now")),
    ("Neutral white after, %", ("neutral_white", "after")),
    ("Model", ("model", "version")),
    ("Jobs learned from", ("model", "jobs_learned_from")),
)


def _words(answer: Mapping[str, Any], path: tuple[str, ...]) -> str:
    from tubewright.report import wording

    value: Any = answer
    for part in path:
        value = value.get(part) if isinstance(value, Mapping) else None
    if path == ("confidence",):
        return wording.percentage(value)
    if isinstance(value, Mapping):
        from tubewright.answers.assessment import Spread

        return wording.percent(Spread(**{key: float(value[key]) for key in ("median", "p10", "p90")}))
    return wording.NOT_KNOWN if value is None else str(value)
