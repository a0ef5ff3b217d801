"""A donor tube's glass: size, face, neck, angle, anode rating, mounting, protection, wear."""

from __future__ import annotations

from typing import Final

import numpy as np

from tubewright.judgement import donor_limits as limits
from tubewright.judgement.donor_tube import Aspect, SetFigures, Tube, YokeFrom

_BANDS: Final = {
    "tension": "a tension band",
    "shell": "a shell",
    "bonded": "bonded safety glass",
    "loose": "a loose band",
    "none": "no band",
}


def size(wanted: Tube, donor: Tube) -> Aspect:
    """Diagonals, where both are counted in the same way."""
    if wanted.diagonal_cm is None or donor.diagonal_cm is None:
        return Aspect(
            id="size",
            verdict="unknown",
            words="the size isn't known of both tubes",
            find_out="a tape across the diagonal of both bulbs",
            decisive=True,
        )
    words = f"{donor.diagonal_cm:g} cm in place of {wanted.diagonal_cm:g} cm"
    if wanted.size_is and donor.size_is and wanted.size_is != donor.size_is:
        return Aspect(
            id="size",
            verdict="unknown",
            words=f"{words}, but one is the viewable and one the nominal size",
            find_out="a tape across the diagonal of both bulbs",
            decisive=True,
        )
    off = abs(donor.diagonal_cm / wanted.diagonal_cm - 1)
    if wanted.size_is != donor.size_is and limits.SIZE_SAME_RATIO < off <= limits.SIZE_NEAR_RATIO:
        return Aspect(
            id="size",
            verdict="unknown",
            words=f"{words}, but it isn't said of both whether that is the viewable or the nominal size",
            find_out="a tape across the diagonal of both bulbs",
            decisive=True,
        )
    if off <= limits.SIZE_SAME_RATIO:
        return Aspect(id="size", verdict="fits", words=words)
    if off <= limits.SIZE_NEAR_RATIO:
        return Aspect(
            id="size",
            verdict="adapt",
            words=words,
            do="brackets and a bezel for the other size; nothing is ever bent, drilled or ground at the tube",
            minutes=limits.MOUNT_MINUTES,
        )
    return Aspect(id="size", verdict="never", words=f"{words}: frame, bezel and scan are made for another size")


def face(wanted: Tube, donor: Tube) -> Aspect:
    """Flat, cylinder or sphere: pincushion correction and bezel follow it."""
    names = {"flat": "flat", "cylinder": "cylindrical", "sphere": "spherical"}
    if wanted.face is None or donor.face is None:
        return Aspect(
            id="face",
            verdict="unknown",
            words="the curve of the face isn't known of both tubes",
            find_out="a straight edge across and up both faces",
        )
    if wanted.face == donor.face:
        return Aspect(id="face", verdict="fits", words=f"both {names[donor.face]}")
    return Aspect(
        id="face",
        verdict="adapt",
        words=f"{names[donor.face]} in place of {names[wanted.face]}",
        do="the bezel may gape; the set's pincushion correction was made for the other curve and may not reach",
        minutes=limits.MOUNT_MINUTES,
    )


def neck(wanted: Tube, donor: Tube, yoke_from: YokeFrom) -> Aspect:
    """Neck diameter, which yoke and rings sit on."""
    if donor.neck_state == "cracked":
        return Aspect(
            id="neck", verdict="never", words="the donor's neck is cracked: it goes to waste, made safe first"
        )
    if donor.neck_mm is None or wanted.neck_mm is None:
        return Aspect(
            id="neck",
            verdict="unknown",
            words="the neck's diameter isn't known of both tubes",
            find_out="callipers with soft jaws on the neck, or the inside of the rings; nominal 22.5, 29.1 or 36.5 mm",
            decisive=yoke_from == "set",
        )
    words = f"{donor.neck_mm:g} mm in place of {wanted.neck_mm:g} mm"
    if abs(donor.neck_mm - wanted.neck_mm) <= limits.NECK_SLACK_MM:
        return Aspect(id="neck", verdict="fits", words=words)
    if yoke_from == "donor":
        return Aspect(id="neck", verdict="with_yoke", words=f"{words}: only with the donor's own yoke and rings")
    return Aspect(id="neck", verdict="never", words=f"{words}: the set's yoke and rings don't belong on this neck")


def angle(wanted: Tube, donor: Tube, yoke_from: YokeFrom) -> Aspect:
    """Deflection angle, which the yoke's shape follows."""
    if donor.deflection_deg is None or wanted.deflection_deg is None:
        return Aspect(
            id="angle",
            verdict="unknown",
            words="the deflection angle isn't known of both tubes, and no label tells it",
            find_out="the data sheet; or the depth of both bulbs from the yoke's seat to the face at equal size",
            decisive=True,
        )
    words = f"{donor.deflection_deg:g} degrees in place of {wanted.deflection_deg:g}"
    if abs(donor.deflection_deg - wanted.deflection_deg) <= limits.ANGLE_SLACK_DEG:
        return Aspect(id="angle", verdict="fits", words=words)
    if yoke_from == "donor":
        return Aspect(id="angle", verdict="with_yoke", words=f"{words}: only with the donor's own yoke")
    return Aspect(id="angle", verdict="never", words=f"{words}: the set's yoke is shaped for the other funnel")


def anode(donor: Tube, figures: SetFigures) -> Aspect:
    """The donor's anode rating against the set's anode voltage; never the other way round."""
    highest = None if figures.eht_kv is None else figures.eht_kv * (1 + limits.EHT_READ_RATIO)
    if donor.anode_max_kv is None or (highest is None and figures.eht_limit_kv is None):
        whose = "the donor's anode rating" if donor.anode_max_kv is None else "the set's anode voltage"
        return Aspect(
            id="anode",
            verdict="unknown",
            words=f"{whose} isn't known",
            find_out="the type's data sheet, and nothing else"
            if donor.anode_max_kv is None
            else "a probe made for it, at zero beam, by whoever may do so; or the set's papers",
            decisive=True,
        )
    if figures.eht_kv is not None and figures.eht_kv > donor.anode_max_kv:
        return Aspect(
            id="anode",
            verdict="never",
            words=f"the set gives {figures.eht_kv:g} kV, the donor is rated for {donor.anode_max_kv:g} kV: X-rays and "
            "arcing",
            cautions=("x_rays",),
        )
    most = figures.eht_limit_kv if highest is None else highest
    if most is not None and most > donor.anode_max_kv:
        read = "may give" if highest is not None else "may go up to"
        return Aspect(
            id="anode",
            verdict="unknown",
            words=f"the set {read} {most:.1f} kV, the donor is rated for {donor.anode_max_kv:g} kV: too close to tell",
            find_out="the anode voltage at zero beam with a probe that was checked",
            cautions=("x_rays", "eht_live"),
            decisive=True,
        )
    words = f"rated for {donor.anode_max_kv:g} kV, the set gives no more than {most:.1f} kV"
    low = donor.anode_kv and figures.eht_kv and figures.eht_kv < limits.EHT_LOW_RATIO * donor.anode_kv
    if low:
        words += (
            f"; it is made for {donor.anode_kv:g} kV and will be dimmer and softer here. That is never mended by "
            "raising the anode voltage"
        )
    return Aspect(id="anode", verdict="fits", words=words, cautions=("x_rays",))


def mounting(wanted: Tube, donor: Tube) -> Aspect:
    """Ears or bolts, and where their holes are."""
    if wanted.mount is None or donor.mount is None:
        return Aspect(
            id="mount", verdict="unknown", words="the mounting isn't known of both tubes", find_out="look at both"
        )
    pairs = ((wanted.bolts_wide_mm, donor.bolts_wide_mm), (wanted.bolts_high_mm, donor.bolts_high_mm))
    off = [abs(one - other) for one, other in pairs if one is not None and other is not None]
    if donor.mount == wanted.mount and len(off) == len(pairs) and max(off) <= limits.BOLTS_SLACK_MM:
        return Aspect(id="mount", verdict="fits", words=f"both {donor.mount}, holes alike")
    if donor.mount == wanted.mount and not any(gap > limits.BOLTS_SLACK_MM for gap in off):
        return Aspect(
            id="mount",
            verdict="unknown",
            words=f"both {donor.mount}, but not all distances of the holes are known",
            find_out="a tape from hole to hole, across and up",
        )
    return Aspect(
        id="mount",
        verdict="adapt",
        words=f"{donor.mount} in place of {wanted.mount}"
        if donor.mount != wanted.mount
        else f"holes off by {max(off):.0f} mm",
        do="brackets at the set's frame; ears and band of the tube are never bent, drilled or taken off",
        minutes=limits.MOUNT_MINUTES,
    )


def band(donor: Tube) -> Aspect:
    """What holds the donor together if it breaks."""
    if donor.band is None:
        return Aspect(
            id="band",
            verdict="unknown",
            words="the protection against implosion was not looked at",
            find_out="look, with goggles on, before it is lifted: band tight, seal sound, no chips",
            cautions=("implosion",),
            decisive=True,
        )
    if donor.band in ("loose", "none"):
        return Aspect(
            id="band",
            verdict="never",
            words=f"the donor has {_BANDS[donor.band]}: not to be handled until made safe by who is trained for it",
            cautions=("implosion",),
        )
    return Aspect(id="band", verdict="fits", words=f"the donor has {_BANDS[donor.band]}")


def condition(donor: Tube) -> tuple[Aspect, float | None]:
    """What is left in the donor, and a share of a good tube's worth to rank by (None for a dead one)."""
    if donor.getter in ("white", "clear"):
        return Aspect(id="condition", verdict="never", words="its getter is gone: the vacuum is lost"), None
    lost, told = 0.0, []
    if donor.emission:
        weakest = min(donor.emission, key=donor.emission.__getitem__)
        level = donor.emission[weakest]
        told.append(f"weakest gun {weakest} at {100 * level:.0f} % of a good one")
        if level < limits.EMISSION_SCRAP_RATIO:
            return Aspect(id="condition", verdict="never", words=f"{told[0]}: worn out"), None
        levels = (
            limits.EMISSION_SCRAP_RATIO, limits.EMISSION_WEAK_RATIO, limits.EMISSION_FAIR_RATIO,
            limits.EMISSION_TIRED_RATIO, 1.0,
        )  # fmt: skip
        loses = (1.0, limits.WEAK_LOSES_SHARE, limits.FAIR_LOSES_SHARE, limits.TIRED_LOSES_SHARE, 0.0)
        lost += float(np.interp(level, levels, loses))
    else:
        lost += limits.UNREAD_LOSES_SHARE
    if donor.restorations:
        told.append(f"restored {donor.restorations} times" if donor.restorations > 1 else "restored once")
        lost += limits.RESTORED_LOSES_SHARE * donor.restorations
    if donor.burn:
        told.append(f"burn {100 * donor.burn:.0f} %")
        lost += limits.BURN_LOSES_RATIO * donor.burn
    if donor.service_hours is not None:
        told.append(f"{donor.service_hours:g} hours")
        lost += limits.LONG_LOSES_SHARE if donor.service_hours >= limits.LONG_HOURS else 0.0
    if donor.made_year is not None:
        told.append(f"made in {donor.made_year}")
    worth = max(0.0, 1.0 - lost)
    if not donor.emission:
        find = "emission and cutoff of each gun at rated heater, and every leakage, on the bench before the swap"
        words = "; ".join(["its emission was not read", *told])
        return Aspect(id="condition", verdict="unknown", words=words, find_out=find), worth
    return Aspect(id="condition", verdict="fits", words="; ".join(told)), worth
