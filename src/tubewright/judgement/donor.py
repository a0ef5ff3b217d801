"""Which way a donor tube fits a set: what fits, what needs the yoke along, what is adapted, what never.

A swap can be done with the set's own yoke on the donor, or with the donor's yoke and rings
as a set. Both ways are weighed; the better one leads. What isn't known is never taken as
fitting: a decisive gap makes the whole way unknown, with the measurement that closes it.
"""

from __future__ import annotations

from tubewright.judgement import donor_feeds as feeds
from tubewright.judgement import donor_glass as glass
from tubewright.judgement import donor_limits as limits
from tubewright.judgement.donor_tube import VERDICTS, Aspect, SetFigures, Tube, Way, YokeFrom, settled
from tubewright.judgement.donor_yoke import energy, field_yoke, line_yoke, scan_states
from tubewright.judgement.scan_change import ScanChange, scan_change


def weigh_way(
    wanted: Tube,
    donor: Tube,
    figures: SetFigures,
    yoke_from: YokeFrom,
    further: tuple[Aspect, ...] = (),
    *,
    eht_after_kv: float | None = None,
) -> tuple[Way, ScanChange]:
    """One way to fit a donor, aspect by aspect, with what becomes of the picture's size.

    Args:
        wanted: The tube that the set is made for, with the set's yoke.
        donor: The tube in question, with its own yoke if it has one.
        figures: What is known of the set.
        yoke_from: Whose yoke is used.
        further: Aspects weighed elsewhere (the guard of the anode voltage).
        eht_after_kv: Anode voltage with the other yoke, where the guard could tell it.
    """
    change = scan_change(*scan_states(wanted, donor, figures, yoke_from, eht_after_kv))
    aspects = [
        glass.size(wanted, donor),
        glass.neck(wanted, donor, yoke_from),
        glass.angle(wanted, donor, yoke_from),
        feeds.gun(wanted, donor),
        glass.anode(donor, figures),
        feeds.heater(wanted, donor, figures),
        feeds.base(wanted, donor),
        feeds.grids(wanted, donor, figures),
        *feeds.focus(wanted, donor, figures),
        *_yokes(wanted, donor, yoke_from),
    ]
    needed = energy(change)
    if needed is not None:
        aspects.append(needed)
    aspects += [
        glass.face(wanted, donor),
        glass.mounting(wanted, donor),
        glass.band(donor),
        glass.condition(donor)[0],
        *further,
    ]
    minutes = limits.SWAP_MINUTES - (limits.AS_SET_SAVES_MINUTES if yoke_from == "donor" else 0.0)
    return settled(yoke_from, tuple(aspects), minutes), change


def _yokes(wanted: Tube, donor: Tube, yoke_from: YokeFrom) -> list[Aspect]:
    if yoke_from == "set":
        words = "the set's own yoke and rings move over; purity and convergence from the start"
        return [Aspect(id="line_yoke", verdict="fits", words=words)]
    if donor.yoke is False:
        return [Aspect(id="line_yoke", verdict="never", words="the donor comes without its yoke")]
    if donor.yoke is None:
        return [
            Aspect(
                id="line_yoke",
                verdict="unknown",
                words="whether the donor's own yoke comes along isn't known",
                find_out="look at the shelf",
                decisive=True,
            )
        ]
    return [line_yoke(wanted, donor), field_yoke(wanted, donor)]


def better_first(ways: tuple[Way, ...]) -> tuple[Way, ...]:
    """Ways from the best to the worst; among equals the quicker one."""
    return tuple(sorted(ways, key=lambda way: (*_verdict_key(way), way.minutes)))


def _verdict_key(way: Way) -> tuple[int, int, int]:
    """By verdict, then by what is known so far, then by how much of weight isn't known."""
    gaps = sum(one.decisive and one.verdict == "unknown" for one in way.aspects)
    return VERDICTS.index(way.verdict), VERDICTS.index(way.so_far), gaps


def rank_key(way: Way, worth_share: float | None) -> tuple[int, int, int, float, float]:
    """What donors are ranked by: verdict, what is known so far, condition, minutes."""
    return (
        *_verdict_key(way),
        -(worth_share if worth_share is not None else 0.0),
        way.minutes,
    )
