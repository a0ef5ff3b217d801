"""What the owner of a display is told to mind, in plain words; each sentence with the cautions that it comes from."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

CARE: Final[Sequence[tuple[str, tuple[str, ...]]]] = (
    (
        (
            "Keep the back closed. The tube and parts inside hold lethal charge for days after the plug is out; "
            "nothing in there is for the owner to touch."
        ),
        ("anode_charge", "primary_reservoir", "mains_live"),
    ),
    (
        (
            "If it smells, smokes, cracks, or its picture shrinks to a bright line or grows brighter by itself: "
            "pull the plug, leave it off, and call us."
        ),
        ("fire", "bright_line"),
    ),
    (
        "The tube is evacuated glass. Don't knock it, and carry the set with two people: its weight is at the front.",
        ("implosion", "lifting"),
    ),
    (
        "Feed it only the picture signal (line rate) that it is made for; another can destroy it within seconds.",
        ("line_rate",),
    ),
    (
        "Keep magnets and loudspeakers away. A stain of colour that stays after a few starts is for the workshop.",
        ("strong_magnet",),
    ),
    (
        (
            "No still picture for hours: it burns in. Brightness no higher than the room asks for, "
            "and an hour's running every month: a tube left idle for years gives less."
        ),
        (),
    ),
    ("At the end of its life it goes to electronic waste: its glass holds lead.", ("lead_glass_dust",)),
    ("Local rules and licensed practice come before anything on this sheet.", ("local_rules",)),
)
"""Of magnets, still pictures and idle years: common practice of the trade."""
