"""The shape of every kind of entry in the facts files, and the check against it."""

from __future__ import annotations

from typing import Final

from tubewright.errors import Fault
from tubewright.knowledge.chassis_shape import CHASSIS_SHAPES
from tubewright.knowledge.facts_text import Entry
from tubewright.knowledge.fields import WORDS, Field, wrong_with
from tubewright.knowledge.search import nearest

SOURCE_KINDS: Final = ("published", "common practice", "from memory")
HAZARDS: Final = ("H0", "H1", "H2", "H3", "H4")
SUBSYSTEMS: Final = (
    "mains_supply",
    "horizontal_eht",
    "vertical",
    "video",
    "tube",
    "sync_wiring",
    "purity_convergence",
    "geometry",
)
"""Where in the display a fault can sit."""

_TEXT: Final = Field()
_MAYBE_TEXT: Final = Field(needed=False)
_TEXTS: Final = Field(kind="texts", needed=False)
_MINUTES: Final = Field(kind="number", lowest=0)
_HAZARD: Final = Field(one_of=HAZARDS)
_PROBABILITY: Final = Field(kind="number", lowest=0, highest=1)
_NUMBERS: Final = Field(kind="numbers", needed=False, lowest=0)
_DOTS: Final = Field(kind="count", lowest=1)
_FLAG: Final = Field(kind="flag", needed=False)
_NEEDS: Final = Field(
    needed=False, one_of=("anything", "picture", "open", "hands_in", "chassis_out", "instrument", "running_open")
)
_PHOTO: Final = ("measurable", "hint", "series", "none")
_ORIGIN: Final = {"kind": Field(one_of=SOURCE_KINDS), "source": _TEXT}

_RESULT: Final = {
    "id": _TEXT,
    "means": _TEXT,
    "odds": _NUMBERS,
    "groups": _NUMBERS,
    "confirming": Field(kind="number", needed=False, lowest=0),
    "citing": Field(kind="number", needed=False, lowest=0),
    "quantity": Field(needed=False, one_of=("value", "ratio", "none")),
    "unit": _MAYBE_TEXT,
    "at_least": Field(kind="number", needed=False),
    "below": Field(kind="number", needed=False),
    "refines": _MAYBE_TEXT,
}

SHAPES: Final[dict[str, dict[str, Field]]] = {
    "source": {"key": _TEXT, "title": _TEXT, "edition": _MAYBE_TEXT, "year": Field(kind="count", needed=False)},
    "constant": {
        "id": _TEXT,
        "value": Field(kind="number"),
        "unit": _TEXT,
        "locator": _MAYBE_TEXT,
        "means": _TEXT,
        "where": _MAYBE_TEXT,
        **_ORIGIN,
    },
    "caution": {"id": _TEXT, "text": _TEXT, "confirm": _TEXT, "where": _MAYBE_TEXT, **_ORIGIN},
    "hold": {
        "id": _TEXT,
        "holds": Field(one_of=("job", "step", "minutes")),
        "minutes": Field(kind="number", needed=False, above=0, highest=1440),
        "undone_by": _TEXTS,
        "asked": Field(needed=False, one_of=("before", "after", "after_repair")),
        **_ORIGIN,
    },
    "hazard": {"id": _HAZARD, "means": _TEXT, "cautions": _TEXTS},
    "symptom": {
        "id": _TEXT,
        "owner_says": _TEXT,
        "also_said": _TEXTS,
        "technician_says": _TEXT,
        "photo": Field(one_of=_PHOTO),
        "leak_probability": _PROBABILITY,
        **_ORIGIN,
    },
    "fault": {
        "id": _TEXT,
        "name": _TEXT,
        "subsystem": Field(one_of=SUBSYSTEMS),
        "per_1000": Field(kind="number", lowest=0, highest=1000),
        "shows": Field(kind="numbers", lowest=0, highest=1),
        "confirmed_by": Field(kind="links"),
        "repair": _TEXT,
        "minutes": _MINUTES,
        "parts": Field(kind="texts", one_of=("c0", "c1", "c2", "c3", "c4", "c5")),
        "hazard": _HAZARD,
        "cautions": _TEXTS,
        "treatments": _TEXTS,
        "groups": _TEXTS,
        "needs": _NEEDS,
        **_ORIGIN,
    },
    "group": {"id": _TEXT, "faults": Field(kind="texts")},
    "test": {
        "id": _TEXT,
        "name": _TEXT,
        "how": _TEXT,
        "minutes": _MINUTES,
        "hazard": _HAZARD,
        "running": Field(kind="flag"),
        "cautions": _TEXTS,
        "gate": Field(kind="flag", needed=False),
        "usual_nominal": Field(kind="number", needed=False),
        "from_photo": Field(needed=False, one_of=_PHOTO),
        "needs": _NEEDS,
        **_ORIGIN,
    },
    "test.result": _RESULT,
    "result": {"test": _TEXT, **_RESULT},
    "link": {
        "symptom": _MAYBE_TEXT,
        "shown_by": Field(kind="numbers", needed=False, lowest=0, highest=1),
        "fault": _MAYBE_TEXT,
        "confirmed_by": Field(kind="links", needed=False),
        "test": _MAYBE_TEXT,
        "result": _MAYBE_TEXT,
        "odds": _NUMBERS,
    },
    "control": {
        "id": _TEXT,
        "name": _TEXT,
        "moves": _TEXT,
        "disturbs": _TEXT,
        "hazard": _HAZARD,
        "cautions": _TEXTS,
        **_ORIGIN,
    },
    "setup_step": {
        "id": _TEXT,
        "guns": Field(one_of=("both", "inline", "delta")),
        "place": Field(kind="count", lowest=1, highest=99),
        "name": _TEXT,
        "why": _TEXT,
        "disturbs": Field(kind="texts"),
        "controls": Field(kind="texts"),
        "groups": _TEXTS,
        "zones": Field(kind="texts", needed=False, one_of=("centre", "edges")),
        **_ORIGIN,
    },
    **CHASSIS_SHAPES,
    "treatment": {
        "id": _TEXT,
        "rung": Field(kind="number", lowest=0),
        "name": _TEXT,
        "how": _TEXT,
        "odds_worn": _PROBABILITY,
        "odds_worn_sd": _PROBABILITY,
        "odds_poisoned": _PROBABILITY,
        "odds_poisoned_sd": _PROBABILITY,
        "best_from": _PROBABILITY,
        "best_to": _PROBABILITY,
        "risk_of_loss": _PROBABILITY,
        "attended_minutes": _MINUTES,
        "unattended_hours": Field(kind="number", lowest=0),
        "counts_as": Field(kind="number", lowest=0),
        "stop_when": _TEXT,
        "hazard": _HAZARD,
        "cautions": _TEXTS,
        **_ORIGIN,
    },
    "phosphor": {"id": _TEXT, "name": _TEXT, "primaries_xy": Field(kind="pairs"), **_ORIGIN},
    "label": {
        "id": _TEXT,
        "name": _TEXT,
        "pattern": _TEXT,
        "fields": Field(kind="links"),
        "size_unit": Field(one_of=("in", "cm", "mm"), needed=False),
        "size_is": Field(one_of=("nominal", "viewable"), needed=False),
        "example": _TEXT,
        **_ORIGIN,
    },
    "label_letter": {"id": _TEXT, "grammar": _TEXT, "part": _TEXT, "letters": _TEXT, "means": _TEXT, **_ORIGIN},
    "label_phosphor": {
        "id": _TEXT,
        "light": _TEXT,
        "picture": Field(one_of=("colour", "mono")),
        "european": _MAYBE_TEXT,
        "worldwide": _MAYBE_TEXT,
        "note": _MAYBE_TEXT,
        **_ORIGIN,
    },
    "label_size": {
        "id": _TEXT,
        "viewable_cm": Field(kind="number", lowest=1, highest=150),
        "sold_as_in": Field(kind="number", lowest=1, highest=60),
        **_ORIGIN,
    },
    "raster": {
        "id": _TEXT,
        "name": _TEXT,
        "width_px": _DOTS,
        "height_px": _DOTS,
        "pixel_clock_hz": Field(kind="number", lowest=1e5, highest=1e9),
        "h_front_px": Field(kind="count", lowest=0),
        "h_sync_px": _DOTS,
        "h_back_px": _DOTS,
        "v_front_lines": Field(kind="count", lowest=0),
        "v_sync_lines": _DOTS,
        "v_back_lines": _DOTS,
        "interlaced": _FLAG,
        "h_sync_positive": _FLAG,
        "v_sync_positive": _FLAG,
        "note": _MAYBE_TEXT,
        "kind": Field(one_of=("published", "common practice", "estimate")),
        "source": _TEXT,
    },
    "capacitor_kind": {
        "id": _TEXT,
        "name": _TEXT,
        "words": Field(kind="texts"),
        "family": Field(one_of=("electrolytic", "film", "ceramic", "paper", "mica")),
        "polar": Field(kind="flag"),
        "dries": _FLAG,
        "low_esr": _FLAG,
        "low_leakage": _FLAG,
        "pulse": _FLAG,
        "safety": _FLAG,
        "grade": Field(kind="count", lowest=1, highest=3),
        "series": Field(one_of=("E3", "E6", "E12", "E24")),
        "rated_v": Field(kind="figures", needed=False, lowest=1, highest=1e5),
        "usual_c": Field(kind="number", lowest=40, highest=200),
        "usual_life_hours": Field(kind="number", needed=False, lowest=0),
        **_ORIGIN,
    },
    "capacitor_place": {
        "id": _TEXT,
        "name": _TEXT,
        "words": Field(kind="texts"),
        "stage": _TEXT,
        "kinds": Field(kind="texts"),
        "least_ratio": Field(kind="number", lowest=0.5, highest=1),
        "most_ratio": Field(kind="number", lowest=1, highest=5),
        "polarity": Field(one_of=("polar", "either", "non_polar")),
        "ripple": Field(one_of=("mains", "line", "field", "none")),
        "needs_low_esr": _FLAG,
        "needs_low_leakage": _FLAG,
        "same_kind": _FLAG,
        "untouchable": _FLAG,
        "safety": _FLAG,
        "least_c": Field(kind="number", needed=False, lowest=0, highest=200),
        "rise_k": Field(kind="number", lowest=0, highest=60),
        "rule": _TEXT,
        "why": _TEXT,
        "sign": _TEXT,
        "cautions": _TEXTS,
        **_ORIGIN,
    },
    "capacitor_stage": {
        "id": _TEXT,
        "name": _TEXT,
        "turn": Field(kind="count", lowest=1),
        "test": _TEXT,
        "tests": _TEXTS,
        "cautions": Field(kind="texts"),
        **_ORIGIN,
    },
    "capacitor_loss": {
        "id": _TEXT,
        "up_to_v": Field(kind="number", lowest=1),
        "loss_ratio": Field(kind="number", lowest=0, highest=1),
        **_ORIGIN,
    },
    "level_standard": {
        "id": _TEXT,
        "name": _TEXT,
        "colour": Field(one_of=("rgb", "encoded", "digital")),
        "sync": Field(one_of=("separate", "composite", "on_green")),
        "polarity": Field(one_of=("negative", "positive", "either")),
        "video_v_pp": Field(kind="number", lowest=0.01, highest=100),
        "video_source_ohm": Field(kind="number", lowest=1),
        "video_load_ohm": Field(kind="number", lowest=1),
        "sync_low_v_pp": Field(kind="number", lowest=0.01, highest=100),
        "sync_high_v_pp": Field(kind="number", lowest=0.01, highest=100),
        "sync_source_ohm": Field(kind="number", lowest=1),
        "sync_load_ohm": Field(kind="number", lowest=1),
        "note": _MAYBE_TEXT,
        **_ORIGIN,
    },
}
"""Fields of each table. ``confirming`` and ``citing`` of a result are the factors for every
fault that names this result, or this test, in its ``confirmed_by``; ``groups`` gives
factors for a whole subsystem or ``[[group]]``; ``odds`` names faults and overrides both.
``[[result]]`` adds a result to a test that is written elsewhere, and ``[[link]]`` one of three
things: faults that show a symptom, results that confirm a fault, odds of a result."""


def check_shape(entry: Entry, faults: list[Fault]) -> bool:
    """Whether an entry has the fields it needs, each of the right kind and range.

    Args:
        entry: The entry; inner entries are checked by their own call.
        faults: Receives what is wrong.

    Returns:
        True if the entry can be built.
    """
    shape = SHAPES[entry.table]
    sound = True
    for name, wanted in shape.items():
        if name not in entry.values:
            if wanted.needed:
                faults.append(entry.fault(f"{name} is missing", f"Add {name} = {WORDS[wanted.kind]}"))
                sound = False
            continue
        wrong = wrong_with(entry.values[name], wanted)
        if wrong:
            # Of a table by id, the one that is wrong stands on its own line.
            at = wrong.split()[1] if wrong.startswith("of ") else name
            faults.append(entry.fault(f"{name} {wrong}", f"Give {name} as {WORDS[wanted.kind]}", at))
            sound = False
    groups = [table.removeprefix(f"{entry.table}.") for table in SHAPES if table.startswith(f"{entry.table}.")]
    for name in entry.values:
        if name not in shape:
            near = nearest(name, [*shape, *groups])
            mend = f"Did you mean {' or '.join(near)}? " if near else ""
            mend += f"Use only {', '.join([*shape, *groups])}"
            faults.append(entry.fault(f"{name!r} is not one of its fields", mend, name))
            sound = False
    return sound
