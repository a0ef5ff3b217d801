"""From a curl back to its loop: the truth lies within what is said, and what can't be told is said to be so."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from physics.afc.loops import flat
from tubewright.physics.afc.curl import PredictedCurl, predicted_curl
from tubewright.physics.afc.inverse import Between, LoopSeen, Seen, SeenCurl, between, loop_from_curl, loop_of
from tubewright.physics.afc.loop import run
from tubewright.physics.afc.source import standard_525, with_vertical

WIDTH_MM = 370.0


def curl_of(natural_hz: float, damping: float, gain: float, gap: int, free_hz: float) -> PredictedCurl:
    source = flat(gap)
    return predicted_curl(run([loop_of(natural_hz, damping, gain, free_hz)], source), source, WIDTH_MM)


def figures_of(curl: PredictedCurl, *, sd: float = 1.0) -> SeenCurl:
    amplitude, settle, swing = (float(v[0]) for v in (curl.amplitude_mm, curl.settle_lines, curl.overshoot_ratio))
    return SeenCurl(
        amplitude_mm=Seen(value=amplitude, sd=0.05 * sd * abs(amplitude)),
        settle_lines=Seen(value=settle, sd=0.04 * sd * settle),
        overshoot_ratio=Seen(value=swing, sd=0.03 * sd),
    )


def width(one: Between) -> float:
    return one.p90 / one.p10


@pytest.mark.parametrize(
    ("natural_hz", "damping", "gain", "gap", "free_hz"),
    [(250.0, 0.5, 4.0, 4, 150.0), (150.0, 0.7, 8.0, 3, -200.0), (90.0, 0.4, 3.0, 6, 80.0)],
)
def test_figures_of_a_curl_give_its_loop_back(
    natural_hz: float, damping: float, gain: float, gap: int, free_hz: float
) -> None:
    found = loop_from_curl(
        figures_of(curl_of(natural_hz, damping, gain, gap, free_hz)), flat(), picture_width_mm=WIDTH_MM, draws=1200
    )
    # Bounds of the middle 80 %, and a little beyond, for the truth needn't lie within them each time.
    assert found.natural_hz.p10 / 1.15 < natural_hz < found.natural_hz.p90 * 1.15
    assert found.damping_ratio.p10 / 1.15 < damping < found.damping_ratio.p90 * 1.15
    assert found.free_run_error_hz.median * free_hz > 0
    assert found.agreement_sd < 1
    assert found.effective_count > 50


def test_what_remains_is_narrower_than_what_was_looked_through() -> None:
    found = loop_from_curl(
        figures_of(curl_of(250.0, 0.5, 4.0, 4, 150.0)), flat(), picture_width_mm=WIDTH_MM, draws=1200
    )
    assert width(found.natural_hz) < 2
    assert width(found.damping_ratio) < 2
    assert {"natural_hz", "damping_ratio"}.isdisjoint(found.untold)


def test_how_long_the_gap_was_and_how_far_off_the_oscillator_can_not_be_told_apart() -> None:
    found = loop_from_curl(figures_of(curl_of(250.0, 0.5, 4.0, 4, 150.0)), flat(), picture_width_mm=WIDTH_MM)
    assert "gap_lines" in found.untold
    assert "gain_ratio" in found.untold
    assert width(found.kick_us) < 0.75 * width(found.free_run_error_hz)
    known = loop_from_curl(
        figures_of(curl_of(250.0, 0.5, 4.0, 4, 150.0)), flat(), picture_width_mm=WIDTH_MM, gap_lines=4
    )
    assert (known.gap_lines.p10, known.gap_lines.p90) == (4.0, 4.0)
    assert "gap_lines" not in known.untold


def test_three_readings_with_a_ruler_tell_less_than_a_photograph() -> None:
    curl = curl_of(250.0, 0.5, 4.0, 4, 150.0)
    at = np.array([0.0, 12.0, 30.0])
    ruler = SeenCurl(
        at_lines=at, displacement_mm=curl.displacement_mm[0, at.astype(int)], displacement_sd_mm=np.full(3, 0.3)
    )
    by_ruler = loop_from_curl(ruler, flat(), picture_width_mm=WIDTH_MM, draws=1200)
    by_photo = loop_from_curl(figures_of(curl), flat(), picture_width_mm=WIDTH_MM, draws=1200)
    assert by_ruler.natural_hz.p10 < 250 < by_ruler.natural_hz.p90
    assert width(by_ruler.natural_hz) > 1.5 * width(by_photo.natural_hz)


def test_sharper_readings_tell_more() -> None:
    curl = curl_of(250.0, 0.5, 4.0, 4, 300.0)
    at = np.array([0.0, 5.0, 12.0, 20.0, 30.0])

    def with_error(sd_mm: float) -> LoopSeen:
        seen = SeenCurl(
            at_lines=at, displacement_mm=curl.displacement_mm[0, at.astype(int)], displacement_sd_mm=np.full(5, sd_mm)
        )
        return loop_from_curl(seen, flat(), picture_width_mm=WIDTH_MM, draws=1200)

    rough, sharp = with_error(1.5), with_error(0.1)
    assert width(sharp.natural_hz) < 0.6 * width(rough.natural_hz)


def test_lines_of_an_interlaced_frame_count_twice() -> None:
    """The same bend in millimetres over the same time: its lines of the frame are twice as many."""
    curl = curl_of(250.0, 0.5, 4.0, 4, 150.0)
    seen = figures_of(curl)
    assert seen.settle_lines is not None
    twice = replace(seen, settle_lines=Seen(value=2 * seen.settle_lines.value, sd=2 * seen.settle_lines.sd))
    plain = replace(with_vertical(standard_525(), "flat"), half_lines=524, active_us=48.0, visible_after_lines=16.0)
    woven = replace(plain, half_lines=525)
    one = loop_from_curl(seen, plain, picture_width_mm=WIDTH_MM, draws=1200)
    other = loop_from_curl(twice, woven, picture_width_mm=WIDTH_MM, draws=1200)
    assert other.natural_hz.median == pytest.approx(one.natural_hz.median, rel=0.02)


def test_mirrored_readings_mirror_the_error() -> None:
    curl = curl_of(250.0, 0.5, 4.0, 4, 150.0)
    seen = figures_of(curl)
    assert seen.amplitude_mm is not None
    mirrored = replace(seen, amplitude_mm=Seen(value=-seen.amplitude_mm.value, sd=seen.amplitude_mm.sd))
    one, other = (loop_from_curl(s, flat(), picture_width_mm=WIDTH_MM, draws=1200) for s in (seen, mirrored))
    assert other.free_run_error_hz.median == pytest.approx(-one.free_run_error_hz.median, rel=0.2)
    assert other.natural_hz.median == pytest.approx(one.natural_hz.median, rel=0.02)


def test_a_curl_that_no_such_loop_makes_disagrees() -> None:
    seen = SeenCurl(
        at_lines=np.array([0.0, 10.0, 20.0, 30.0]),
        displacement_mm=np.array([1.0, -5.0, 5.0, -5.0]),
        displacement_sd_mm=np.full(4, 0.1),
    )
    assert loop_from_curl(seen, flat(), picture_width_mm=WIDTH_MM, draws=1200).agreement_sd > 5


@pytest.mark.parametrize(
    ("seen", "says"),
    [
        (SeenCurl(amplitude_mm=Seen(value=3.0, sd=0.1)), "two figures"),
        (SeenCurl(), "two figures"),
        (SeenCurl(amplitude_mm=Seen(value=3.0, sd=0.0), settle_lines=Seen(value=20.0, sd=1.0)), "above zero"),
        (SeenCurl(amplitude_mm=Seen(value=3.0, sd=1.0), settle_lines=Seen(value=20.0, sd=float("nan"))), "above zero"),
    ],
)
def test_too_little_to_reckon_with_is_refused(seen: SeenCurl, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        loop_from_curl(seen, flat(), picture_width_mm=WIDTH_MM, draws=1200)


@pytest.mark.parametrize(("natural_hz", "damping", "gain"), [(200.0, 0.6, 5.0), (700.0, 1.0, 12.0)])
def test_a_loop_made_for_its_figures_has_them(natural_hz: float, damping: float, gain: float) -> None:
    from tubewright.physics.afc.figures import natural_and_damping
    from tubewright.physics.afc.parts import side_by_side

    found = natural_and_damping(side_by_side([loop_of(natural_hz, damping, gain, 0.0)]))
    assert [float(v[0]) for v in found] == pytest.approx([natural_hz, damping])


def test_figures_that_no_passive_network_has_are_refused() -> None:
    with pytest.raises(ValueError, match="no passive network"):
        loop_of(200.0, 0.2, 2.0, 0.0)


def test_weighted_bounds_of_evenly_weighed_values_are_the_plain_ones() -> None:
    values = np.arange(1001.0)
    found = between(values[::-1].copy(), np.full(1001, 1 / 1001))
    assert (found.p10, found.median, found.p90) == pytest.approx((100.0, 500.0, 900.0), abs=0.6)
