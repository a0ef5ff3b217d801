"""``assess``: readings in, decision out. ``schema``: what goes in and comes out."""

from __future__ import annotations

import enum
from typing import TYPE_CHECKING, Annotated

import typer

from tubewright.cli import settings
from tubewright.cli.asked import asked_case
from tubewright.cli.door import emit, emit_json, tell
from tubewright.cli.shop import ShopOption, experience, known, number_of, open_shop

if TYPE_CHECKING:
    from tubewright.answers.assessment import Assessment
    from tubewright.case import Case


class Contract(enum.StrEnum):
    """What goes in, and the answers that come out."""

    case = "case"
    assess = "assess"
    measure = "measure"
    diagnose = "diagnose"
    advise = "advise"
    grey = "grey"
    quote = "quote"
    bill = "bill"
    settings = "settings"
    proof = "proof"
    treat = "treat"
    hold = "hold"
    due = "due"
    label = "label"
    donor = "donor"
    scan = "scan"
    stock = "stock"
    stock_item = "stock-item"
    stock_reservation = "stock-reservation"
    stock_parts = "stock-parts"
    stock_order = "stock-order"
    stock_recap = "stock-recap"


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command(
        "assess",
        epilog="Example: tubewright assess pier.toml --json",
    )(assess)
    app.command("schema", epilog="Example: tubewright schema case > case.schema.json")(schema)


def assess(
    case: Annotated[str, typer.Argument(metavar="CASE", help="A TOML or JSON file, - for standard input, or job:7.")],
    *,
    as_json: Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")] = False,
    seed: Annotated[int, typer.Option(min=0, max=2**32 - 1, help="Where the random futures start.")] = 1,
    futures: Annotated[int, typer.Option(min=1000, max=2_000_000, help="How many futures are tried.")] = 100_000,
    keep: Annotated[bool, typer.Option("--keep", help="Keep the verdict in the shop (with job:7).")] = False,
    shop: ShopOption = None,
) -> None:
    """Say if a tube is worth saving, and the next safe step.

    With the odds, the years, the cost, and what would change the answer.
    """
    if keep and not case.startswith("job:"):
        raise typer.BadParameter("only a job of the shop can keep its verdict: give CASE as job:7", param_hint="--keep")
    asked = asked_case(case, shop)
    answer = _answer(asked, shop, seed=seed, futures=futures)
    if keep:
        _keep(asked, answer, number_of(case, "job"), shop)
    show(answer, as_json=as_json)


def show(answer: Assessment, *, as_json: bool) -> None:
    """Print an answer."""
    if as_json:
        from tubewright.answers.assessment import to_json

        emit_json(to_json(answer))
        return
    from tubewright.report.describe import describe
    from tubewright.report.text import to_text

    emit(to_text(describe(answer), width=settings.columns(), colour=settings.colour()))


def schema(
    which: Annotated[Contract, typer.Argument(help="The case, or the answer of a command.")] = (Contract.case),
) -> None:
    """Print the JSON Schema of the case file or of an answer."""
    from tubewright.files import assess_schema, case_schema
    from tubewright.files.advise_schema import advise_schema
    from tubewright.files.diagnose_schema import diagnose_schema
    from tubewright.files.donor_schema import donor_schema, label_schema
    from tubewright.files.grey_schema import grey_schema
    from tubewright.files.measure_schema import measure_schema
    from tubewright.files.proof_schema import proof_schema
    from tubewright.files.quote_schema import bill_schema, quote_schema, settings_schema
    from tubewright.files.scan_schema import scan_schema
    from tubewright.files.stock_schema import SCHEMAS
    from tubewright.files.treat_schema import due_schema, hold_schema, treat_schema

    made = {
        Contract.case: case_schema,
        Contract.assess: assess_schema,
        Contract.measure: measure_schema,
        Contract.diagnose: diagnose_schema,
        Contract.advise: advise_schema,
        Contract.grey: grey_schema,
        Contract.quote: quote_schema,
        Contract.bill: bill_schema,
        Contract.settings: settings_schema,
        Contract.proof: proof_schema,
        Contract.treat: treat_schema,
        Contract.hold: hold_schema,
        Contract.due: due_schema,
        Contract.label: label_schema,
        Contract.donor: donor_schema,
        Contract.scan: scan_schema,
        **{Contract(name): schema_of for name, schema_of in SCHEMAS.items()},
    }
    emit_json(made[which]())


def _answer(case: Case, shop: str | None, *, seed: int, futures: int) -> Assessment:
    from tubewright.answers.assess import assess as judge

    return judge(case, known(shop), experience(shop), seed=seed, futures=futures)


def _keep(case: Case, answer: Assessment, job: int, shop: str | None) -> None:
    import json

    from tubewright.answers.assessment import to_json

    with open_shop(shop) as store:
        kept = store.save_verdict(
            job,
            case_json=case.model_dump_json(exclude_none=True),
            answer_json=json.dumps(to_json(answer), ensure_ascii=False, allow_nan=False),
            model_version=answer.model.version,
            seed=answer.model.seed,
            decision=answer.decision,
            headline=answer.headline,
        )
    tell(f"Kept as verdict {kept.id}.")
