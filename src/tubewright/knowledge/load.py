"""The only reader of the facts: TOML files in, one checked :class:`Knowledge` out.

Every file named ``*.toml`` in the ``facts`` folder beside this module is read. A
file may open with ``[common.<table>]``: fields that all its entries of that table
share. All that is wrong is reported together, each fault with file and line.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Final, TypeAlias

from tubewright.errors import Fault, InputError
from tubewright.knowledge.build import assemble
from tubewright.knowledge.chassis_shape import ONE_EACH
from tubewright.knowledge.facts_text import Entry, FactsFile, parse
from tubewright.knowledge.links import check_links
from tubewright.knowledge.model import Knowledge
from tubewright.knowledge.own import prepared
from tubewright.knowledge.shapes import SHAPES, check_shape
from tubewright.knowledge.weights import check_weights

TABLES: Final[dict[str, tuple[str, ...]]] = {
    name: tuple(inner.partition(".")[2] for inner in SHAPES if inner.startswith(f"{name}."))
    for name in SHAPES
    if "." not in name
}

LARGEST_OWN_BYTES: Final = 2_000_000
"""The longest file of a shop's own that is read; a long honest one has some tens of kilobytes."""


def load_knowledge(extra: Path | None = None) -> Knowledge:
    """What the trade knows, as checked values.

    Args:
        extra: A TOML file of the shop's own, or a folder of them: faults, symptoms,
            tests, results and links to ours, chassis profiles (docs/own.md). Ids must be new.

    Returns:
        The built-in knowledge, read once per process, or with ``extra`` a new one.

    Raises:
        InputError: Something is wrong in the facts; one fault per mistake, each
            naming file and line.
    """
    if extra is None:
        return _built_in()
    return _with_own(tuple(_files_at(extra)))


def knowledge_from(files: Iterable[FactsFile]) -> Knowledge:
    """The knowledge held by these files together, checked.

    Raises:
        InputError: As :func:`load_knowledge`.
    """
    faults: list[Fault] = []
    entries: list[Entry] = []
    for file in files:
        entries += parse(file, faults, TABLES, ONE_EACH)
    entries = prepared(entries, faults)
    # Every entry is checked, also when an earlier one failed: all faults together.
    sound = [_shape_is_sound(entry, faults) for entry in entries]
    check_links(entries, sound, faults, complete=not faults)
    if faults:
        raise InputError(faults)
    knowledge = assemble(entries)
    check_weights(entries, knowledge, faults)
    if faults:
        raise InputError(faults)
    return knowledge


def _shape_is_sound(entry: Entry, faults: list[Fault]) -> bool:
    found = [check_shape(part, faults) for part in (entry, *entry.inner)]
    return all(found)


OwnFacts: TypeAlias = dict[str, tuple[str, ...]]
"""What a shop's own file holds: ids by table; links have none."""


def own_facts(path: Path) -> OwnFacts:
    """The ids that a shop's own file holds, by table, in its order; the file has been loaded without fault."""
    held: dict[str, list[str]] = {}
    for file in _files_at(path):
        for entry in parse(file, [], TABLES, ONE_EACH):
            held.setdefault(entry.table, []).append(entry.id)
    return {table: tuple(ids) for table, ids in held.items()}


@lru_cache(maxsize=1)
def _built_in() -> Knowledge:
    return knowledge_from(_built_in_files())


@lru_cache(maxsize=2)
def _with_own(files: tuple[FactsFile, ...]) -> Knowledge:
    return knowledge_from([*_built_in_files(), *files])


def _built_in_files() -> list[FactsFile]:
    folder = resources.files("tubewright.knowledge") / "facts"
    found = sorted((item for item in folder.iterdir() if item.name.endswith(".toml")), key=lambda item: item.name)
    return [FactsFile(name=f"facts/{item.name}", text=item.read_text(encoding="utf-8")) for item in found]


def _files_at(path: Path) -> list[FactsFile]:
    paths = sorted(path.glob("*.toml")) if path.is_dir() else [path]
    files = []
    for at in paths:
        try:
            if at.stat().st_size > LARGEST_OWN_BYTES:
                raise InputError(_too_long(at))
            # Some editors put a byte order mark in front.
            files.append(FactsFile(name=str(at), text=at.read_text(encoding="utf-8-sig"), own=True))
        except (OSError, UnicodeDecodeError) as error:
            raise InputError(
                Fault(what=f"can't be read: {error}", where=str(at), mend="Name a TOML file or a folder of them")
            ) from error
    return files


def _too_long(path: Path) -> Fault:
    return Fault(
        what=f"it has more than {LARGEST_OWN_BYTES / 1e6:.0f} MB",
        where=str(path),
        mend="Check that this is a list of facts and not a photograph or a backup",
    )
