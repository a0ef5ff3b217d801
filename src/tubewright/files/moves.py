"""The file of moves: what was turned on a display between its photographs, as a person wrote it down.

TOML:

    guns = "inline"                # or "delta"; each of these may be left out
    controls = ["four_pole_rings", "h_size"]
    minutes_on = 30
    degaussed = true               # before the first photograph
    opening_mm = [360, 270]        # the opening that the picture is to fill, by a ruler

    [[setting]]                    # how rings stood at the first photograph
    control = "four_pole_rings"
    tabs_mm = 4

    [[move]]
    after = 1                      # after which photograph
    control = "h_size"
    amount = "1/8 turn"            # or 0.125, or "1.5 mm"
    direction = "clockwise"        # or anticlockwise, up, down, left, right, forward, back, in, out
    wrong_way = true               # it went the other way than written
    undone = true                  # put back before the next photograph
    at_stop = true                 # it has met its end that way

    [[move]]
    after = 1
    control = "four_pole_rings"
    tabs_mm = 6                    # how they stand now
    angle_deg = 20                 # clockwise as seen from behind, against the first photograph
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from tubewright.answers.advise import RINGS, GunKind, RingSetting, Turned, unit_of, ways
from tubewright.answers.advise_typed import typed_amount
from tubewright.errors import Fault, InputError
from tubewright.knowledge.model import Knowledge

MAX_MOVES_BYTES: Final = 1_000_000
_TOP: Final = frozenset({"format", "guns", "controls", "minutes_on", "degaussed", "opening_mm", "setting", "move"})
_SETTING: Final = frozenset({"control", "tabs_mm", "angle_deg"})
_MOVE: Final = frozenset(
    {
        "after",
        "control",
        "part",
        "amount",
        "direction",
        "tabs_mm",
        "angle_deg",
        "wrong_way",
        "undone",
        "at_stop",
        "note",
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Moves:
    """What a file of moves holds; what it leaves out is ``None`` or empty."""

    turned: tuple[Turned, ...] = ()
    guns: GunKind | None = None
    controls: tuple[str, ...] | None = None
    minutes_on: float | None = None
    degaussed: bool = False
    opening_mm: tuple[float, float] | None = None
    rings: Mapping[str, RingSetting] = field(default_factory=dict)


def read_moves(source: Path | str, knowledge: Knowledge, *, name: str = "") -> Moves:
    """The moves in a TOML file, or in the text of one.

    Args:
        source: A path, or the text itself.
        knowledge: Where the ids of controls are looked up.
        name: What messages call it.

    Raises:
        InputError: It can't be read, or holds faults; all of them together.
    """
    text = source if isinstance(source, str) else _text_of(source)
    name = name or (source.name if isinstance(source, Path) else "the moves")
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(Fault(what=f"this is not TOML ({error})", where=name, mend="Mend that line.")) from error
    return _Reader(name, knowledge).whole(data)


def _text_of(path: Path) -> str:
    try:
        if path.stat().st_size > MAX_MOVES_BYTES:
            raise InputError(Fault(what="the file is larger than 1 MB", where=str(path), mend="Give a file of moves."))
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            Fault(what="this file can't be read", where=str(path), mend="Check its name; it is UTF-8 text.")
        ) from error


class _Reader:
    def __init__(self, name: str, knowledge: Knowledge) -> None:
        self.name, self.knowledge = name, knowledge
        self.faults: list[Fault] = []

    def fault(self, where: str, what: str, mend: str) -> None:
        self.faults.append(Fault(what=what, where=f"{self.name}, {where}", mend=mend))

    def whole(self, data: Mapping[str, Any]) -> Moves:
        self.known(data, _TOP, "at the top")
        guns = data.get("guns")
        if guns not in {None, "inline", "delta"}:
            self.fault("guns", f"{guns!r} is no arrangement of guns", 'Write guns = "inline" or "delta".')
        controls = data.get("controls")
        if controls is not None and not (isinstance(controls, list) and all(isinstance(one, str) for one in controls)):
            self.fault("controls", "this is no list of ids", 'Write controls = ["h_size", "four_pole_rings"].')
            controls = None
        for one in controls or ():
            self.control(one, "controls")
        opening = data.get("opening_mm")
        if opening is not None and not (isinstance(opening, list) and len(opening) == 2):
            self.fault("opening_mm", "this is no width and height", "Write opening_mm = [360, 270].")
            opening = None
        sides = [self.number(side, "opening_mm", above=0.0) for side in opening or ()]
        minutes = data.get("minutes_on")
        moves = Moves(
            turned=tuple(
                one for n, entry in enumerate(self.tables(data, "move"), 1) if (one := self.move(entry, n)) is not None
            ),
            guns=guns if guns in {"inline", "delta"} else None,
            controls=None if controls is None else tuple(controls),
            minutes_on=None if minutes is None else self.number(minutes, "minutes_on"),
            degaussed=self.flag(data, "degaussed", "at the top"),
            opening_mm=(sides[0], sides[1]) if sides else None,
            rings=self.settings(data),
        )
        if self.faults:
            raise InputError(self.faults)
        return moves

    def tables(self, data: Mapping[str, Any], key: str) -> list[Mapping[str, Any]]:
        found = data.get(key, [])
        if not isinstance(found, list) or not all(isinstance(one, dict) for one in found):
            self.fault(key, "this is no list of tables", f"Write [[{key}]] above each.")
            return []
        return found

    def known(self, entry: Mapping[str, Any], names: Collection[str], where: str) -> None:
        for key in entry:
            if key not in names:
                near = difflib.get_close_matches(key, sorted(names), n=1)
                mend = f"Did you mean {near[0]}?" if near else f"It may hold {', '.join(sorted(names))}."
                self.fault(where, f"{key} means nothing here", mend)

    def control(self, name: object, where: str) -> str:
        if isinstance(name, str) and name in self.knowledge.controls:
            return name
        near = difflib.get_close_matches(str(name), sorted(self.knowledge.controls), n=2)
        mend = f"Did you mean {' or '.join(near)}?" if near else "See tubewright list controls."
        self.fault(where, "the control is missing" if name is None else f"no control is called {name}", mend)
        return ""

    def number(self, value: object, where: str, *, above: float | None = None) -> float:
        sound = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        if not sound:
            self.fault(where, f"{value!r} is no number", "Write it as 4 or 4.5.")
            return 0.0
        number = float(value) if isinstance(value, int | float) else 0.0
        if number < 0 and above is None and "angle" not in where:
            self.fault(where, "this can't be below zero", "Write its size; direction says which way.")
        if above is not None and number <= above:
            self.fault(where, "this must be more than zero", "Check the figure.")
        return number

    def flag(self, entry: Mapping[str, Any], key: str, where: str) -> bool:
        value = entry.get(key, False)
        if not isinstance(value, bool):
            self.fault(where, f"{key} is neither true nor false", f"Write {key} = true.")
            return False
        return value

    def settings(self, data: Mapping[str, Any]) -> dict[str, RingSetting]:
        found: dict[str, RingSetting] = {}
        for n, entry in enumerate(self.tables(data, "setting"), 1):
            where = f"setting {n}"
            self.known(entry, _SETTING, where)
            control = self.control(entry.get("control"), where)
            if control and control not in RINGS:
                self.fault(where, f"{control} is no pair of rings", f"Only {', '.join(RINGS)} have a setting.")
            found[control] = self.ring(entry, where)
        return found

    def ring(self, entry: Mapping[str, Any], where: str) -> RingSetting:
        if "tabs_mm" not in entry:
            self.fault(where, "tabs_mm is missing", "Write how far the tabs stand apart now, in mm.")
        return RingSetting(
            tabs_mm=self.number(entry.get("tabs_mm", 0.0), f"{where}, tabs_mm"),
            angle_deg=self.number(entry.get("angle_deg", 0.0), f"{where}, angle_deg"),
        )

    def move(self, entry: Mapping[str, Any], number: int) -> Turned | None:
        where = f"move {number}"
        self.known(entry, _MOVE, where)
        before = len(self.faults)
        after = entry.get("after")
        if not isinstance(after, int) or isinstance(after, bool) or after < 1:
            self.fault(where, "after is no number of a photograph", "Count the photographs from 1: after = 1.")
        control = self.control(entry.get("control"), where)
        undone, wrong = self.flag(entry, "undone", where), self.flag(entry, "wrong_way", where)
        at_stop = self.flag(entry, "at_stop", where)
        if len(self.faults) > before or not isinstance(after, int):
            return None
        part = str(entry.get("part", ""))
        if control == "degauss":
            return Turned(after=after, control=control, undone=undone)
        if control in RINGS:
            ring = self.ring(entry, where) if "tabs_mm" in entry or not (undone or at_stop) else None
            return Turned(
                after=after,
                control=control,
                ring=ring,
                wrong_way=wrong,
                undone=undone,
                at_stop="positive" if at_stop else "",
            )
        size, sign = self.amount(entry, control, where), self.direction(entry, control, where)
        return Turned(
            after=after,
            control=control,
            part=part,
            value=sign * size,
            unit=unit_of(control),
            wrong_way=wrong,
            undone=undone,
            at_stop=("positive" if sign * (-1 if wrong else 1) > 0 else "negative") if at_stop else "",
        )

    def amount(self, entry: Mapping[str, Any], control: str, where: str) -> float:
        unit = unit_of(control)
        value = entry.get("amount")
        if value is None:
            self.fault(where, "amount is missing", f"Write by how much, in {unit}.")
            return 0.0
        if not isinstance(value, str):
            value = self.number(value, f"{where}, amount")
        try:
            return typed_amount(value, control, f"{self.name}, {where}")
        except InputError as error:
            self.faults += error.faults
            return 0.0

    def direction(self, entry: Mapping[str, Any], control: str, where: str) -> float:
        positive, negative = ways(control)
        said = str(entry.get("direction", "")).lower().replace("-", "").strip()
        said = "anticlockwise" if said == "counterclockwise" else said
        if said not in {positive, negative}:
            self.fault(where, f"{said!r} is no way for {control}", f"Write direction = {positive!r} or {negative!r}.")
        return -1.0 if said == negative else 1.0
