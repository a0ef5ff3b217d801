"""``own``: the shop's own file of faults, tests and chassis profiles: checked, and an example to start from."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from tubewright.cli import settings
from tubewright.cli.door import Door, emit, emit_json
from tubewright.cli.shop import ShopOption, exists, experience, known, open_shop
from tubewright.errors import Fault, InputError

if TYPE_CHECKING:
    from tubewright.knowledge.load import OwnFacts

HELD: Final = {
    # as the facts name them: as a person does, one and several
    "fault": ("fault", "faults"),
    "symptom": ("symptom", "symptoms"),
    "test": ("test", "tests"),
    "result": ("further result", "further results"),
    "link": ("link", "links"),
    "chassis": ("chassis profile", "chassis profiles"),
    "caution": ("caution", "cautions"),
    "hold": ("hold", "holds"),
    "group": ("group", "groups"),
    "raster": ("raster", "rasters"),
    "label": ("tube label grammar", "tube label grammars"),
    "phosphor": ("phosphor set", "phosphor sets"),
    "source": ("source", "sources"),
}


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    own = typer.Typer(
        cls=Door, help="Faults, tests and chassis profiles of your own.", no_args_is_help=True, rich_markup_mode=None
    )
    own.command("check", epilog="Example: tubewright own check own.toml")(check)
    own.command("example", epilog="Example: tubewright own example > own.toml")(example)
    own.command("learned", epilog="Example: tubewright own learned --json")(learned)
    app.add_typer(own, name="own")


def check(
    file: Annotated[
        Path | None,
        typer.Argument(metavar="FILE", help="Your own file; else TUBEWRIGHT_OWN, else own.toml beside the records."),
    ] = None,
    *,
    as_json: Annotated[bool, typer.Option("--json", help="Write what it holds as JSON.")] = False,
    shop: ShopOption = None,
) -> None:
    """Check your own file, with file and line.

    Every mistake, or what it holds. Ids that your records use and nothing explains
    any more are named as well.
    """
    from tubewright.knowledge.load import load_knowledge, own_facts

    where = file or settings.own_path(shop)
    if where is None:
        place = settings.own_place(shop)
        raise InputError(
            Fault(
                what="there is no file of your own yet",
                where=str(place),
                mend=f"Start one from the example: tubewright own example > {place}",
            )
        )
    knowledge = load_knowledge(where)
    facts = own_facts(where)
    unknown = _unexplained(
        shop,
        {
            "symptom": knowledge.symptoms,
            "test": knowledge.tests,
            "fault": knowledge.faults,
            "chassis": knowledge.chassis,
        },
    )
    if as_json:
        emit_json(
            {"file": str(where), "holds": {name: list(ids) for name, ids in facts.items()}, "unexplained": unknown}
        )
        return
    _emit(where, facts, unknown)


def example() -> None:
    """Print an example of such a file.

    With comments; all in it is invented. Save it as own.toml beside your records, change it, and check it.
    """
    from importlib import resources

    text = (resources.files("tubewright.knowledge") / "own_example.toml").read_text(encoding="utf-8")
    emit(text.rstrip("\n"))


def _unexplained(shop: str | None, known: dict[str, object]) -> dict[str, list[str]]:
    """Ids in the shop's records that neither our facts nor the shop's own file explain."""
    if not exists(settings.shop_path(shop)):
        return {}
    with open_shop(shop) as store:
        used = store.ids_used()
    found = {}
    for noun, ids in used.items():
        held = known[noun]
        assert isinstance(held, dict)  # noqa: S101  the shelves of knowledge are
        left = sorted(ids - set(held))
        if left:
            found[noun] = left
    return found


def _emit(where: Path, facts: OwnFacts, unknown: dict[str, list[str]]) -> None:
    from tubewright.report.describe import Block, Listing, Paragraph
    from tubewright.report.text import blocks_to_text

    blocks: list[Block] = [Paragraph(text=f"{where}: no mistakes.", strong=True)]
    items = []
    for table, ids in facts.items():
        one, several = HELD[table]
        named = f": {', '.join(ids)}" if all(ids) else ""
        items.append(f"{len(ids)} {one if len(ids) == 1 else several}{named}")
    blocks.append(Listing(items=tuple(items)) if items else Paragraph(text="It holds nothing yet."))
    if unknown:
        blocks.append(Paragraph(text="Your records use ids that nothing explains any more; they are kept as they are:"))
        blocks.append(Listing(items=tuple(f"{noun}: {', '.join(ids)}" for noun, ids in unknown.items())))
    emit(blocks_to_text(blocks, width=settings.columns(), colour=settings.colour()))


def learned(
    *,
    as_json: Annotated[bool, typer.Option("--json", help="Write it as JSON.")] = False,
    shop: ShopOption = None,
) -> None:
    """Show what this shop's own jobs changed.

    Ours beside the general figure, the farthest moved first. It is reckoned anew from
    the closed jobs each time: open a job again, and its lesson is gone.
    """
    from tubewright.answers.learned import learned as answer_of
    from tubewright.answers.learned import to_json

    answer = answer_of(known(shop), experience(shop))
    if as_json:
        emit_json(to_json(answer))
        return
    from tubewright.report.diagnose_text import learned_to_text

    emit(learned_to_text(answer, width=settings.columns(), colour=settings.colour()))
