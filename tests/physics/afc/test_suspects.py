"""Which part is off: a loop with one part changed points at that part, or says that it can't."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from physics.afc.loops import MIDDLE, flat
from tubewright.physics.afc.curl import predicted_curl
from tubewright.physics.afc.inverse import Seen, SeenCurl
from tubewright.physics.afc.loop import run
from tubewright.physics.afc.parts import AfcParts
from tubewright.physics.afc.suspects import Suspect, suspects

RIGHT = replace(MIDDLE, free_run_error_hz=40.0)


def seen_of(parts: AfcParts) -> SeenCurl:
    source = flat(5)
    curl = predicted_curl(run([parts], source), source, 370.0)
    at = np.array([0, 6, 14, 30, 50])
    return SeenCurl(
        settle_lines=Seen(value=float(curl.settle_lines[0]), sd=0.5),
        overshoot_ratio=Seen(value=float(curl.overshoot_ratio[0]), sd=0.02),
        at_lines=at.astype(float),
        displacement_mm=curl.displacement_mm[0, at],
        displacement_sd_mm=np.full(5, 0.1),
    )


def found(parts: AfcParts) -> dict[str, Suspect]:
    return {one.id: one for one in suspects(RIGHT, seen_of(parts), flat(5), picture_width_mm=370.0)}


def test_chances_sum_to_one_and_the_likeliest_comes_first() -> None:
    chances = [one.probability for one in suspects(RIGHT, seen_of(RIGHT), flat(5), picture_width_mm=370.0)]
    assert sum(chances) == pytest.approx(1)
    assert chances == sorted(chances, reverse=True)


@pytest.mark.parametrize(
    ("changed", "suspicion", "value"),
    [
        (replace(RIGHT, capacitor_uf=0.05), "capacitor_low", 0.05),
        (replace(RIGHT, free_run_error_hz=350.0), "free_run_off", 350.0),
        (replace(RIGHT, detector_v_per_rad=0.6), "detector_low", 0.6),
    ],
)
def test_a_changed_part_is_found_with_its_value(changed: AfcParts, suspicion: str, value: float) -> None:
    answer = found(changed)
    best = max(answer.values(), key=lambda one: one.probability)
    assert best.id == suspicion
    assert best.agreement_sd < 1
    assert best.value is not None
    assert best.value.p10 / 1.1 <= value <= best.value.p90 * 1.1


def test_the_innocent_are_not_blamed() -> None:
    answer = found(RIGHT)
    assert answer["as_fitted"].agreement_sd < 1
    assert answer["detector_low"].probability < 0.1
    assert answer["capacitor_low"].probability < 0.5


def test_a_shunt_is_only_suspected_where_there_is_one() -> None:
    without = replace(RIGHT, shunt_nf=0.0)
    ids = {one.id for one in suspects(without, seen_of(without), flat(5), picture_width_mm=370.0)}
    assert "shunt_low" not in ids
    assert "shunt_low" in found(RIGHT)


def test_what_no_suspicion_explains_disagrees() -> None:
    odd = SeenCurl(
        at_lines=np.array([0.0, 5.0, 10.0, 20.0]),
        displacement_mm=np.array([1.0, -9.0, 9.0, -9.0]),
        displacement_sd_mm=np.full(4, 0.1),
    )
    answer = suspects(RIGHT, odd, flat(5), picture_width_mm=370.0)
    assert min(one.agreement_sd for one in answer) > 2


def test_too_little_is_refused() -> None:
    with pytest.raises(ValueError, match="two figures"):
        suspects(RIGHT, SeenCurl(amplitude_mm=Seen(value=1.0, sd=0.1)), flat(5), picture_width_mm=370.0)
