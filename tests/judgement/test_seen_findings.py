"""What a measured picture offers to the diagnosis follows from its figures, their spreads and the trade's targets."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import tubewright
from measured import convergence, geometry, light, measurement, top_curl, zone_vectors
from tubewright.judgement.seen_checks import Check, checks
from tubewright.judgement.seen_findings import SeenFinding, findings
from tubewright.judgement.seen_words import against_green, directed, said
from tubewright.knowledge.load import load_knowledge
from tubewright.picture.results import ZONES, Figure, Focus, Known, Scale, Unsupported, Vector, Zone

KNOWLEDGE = load_knowledge()


def offered(**changes: object) -> dict[str, SeenFinding]:
    """The findings of a made-up measurement by their symptom."""
    return {finding.symptom: finding for finding in findings(measurement(**changes), KNOWLEDGE)}


def curl_of(value: float, sd: float) -> SeenFinding | None:
    """What a curl of that size is offered as."""
    return offered(top_curl=replace(top_curl(), amplitude_mm=Figure(value=value, sd=sd))).get("top_curl")


def check_of(found: Known, *, target: float = 1.0, least: bool = False) -> Check:
    """A check of a figure against a target."""
    return Check(
        symptom="top_curl", about="bend", found=found, words="", unit="mm", reference=target, source="x", least=least
    )


def test_every_symptom_offered_is_in_the_catalogue_and_can_be_measured() -> None:
    named = {check.symptom for m in (measurement(), measurement(**light())) for check in checks(m, KNOWLEDGE)} - {""}
    assert named >= {"top_curl", "misconv_corner", "trapezoid", "purity_blotch", "colour_weak", "burn_in_ghost"}
    for symptom in named - {"hum_sway"}:  # a still picture can show it but never clear it
        assert KNOWLEDGE.symptoms[symptom].photo == "measurable", symptom


def test_a_curl_is_told_with_its_millimetres() -> None:
    found = offered()["top_curl"]
    assert found.state == "present"
    assert found.words == "top curl of 3.20 mm to the right settling in 18 lines"
    assert found.over_target_ratio == pytest.approx(3.2, rel=0.02)


@pytest.mark.parametrize(
    ("value", "sd", "state"),
    [
        (3.0, 0.1, "present"),
        (-3.0, 0.1, "present"),
        (0.1, 0.1, "absent"),
        (0.9, 0.1, None),  # within, but not well within
        (1.1, 0.3, None),  # beyond, but perhaps not
        (0.1, 2.0, None),  # nothing was seen, with a spread that would hide it
    ],
)
def test_between_beyond_and_well_within_nothing_is_said(value: float, sd: float, state: str | None) -> None:
    found = curl_of(value, sd)
    assert (found.state if found else None) == state


def test_the_chance_is_that_of_a_normal_law() -> None:
    # Tables of the normal law: P(Z < 1.6449) = 0.95, P(Z < 1) = 0.8413.
    assert check_of(Figure(value=1.0 + 1.6449 * 0.2, sd=0.2)).chance_beyond() == pytest.approx(0.95, abs=1e-4)
    assert check_of(Figure(value=-1.2, sd=0.2)).chance_beyond() == pytest.approx(0.8413, abs=1e-4)
    assert check_of(Figure(value=0.5, sd=0.2), least=True).chance_beyond() == pytest.approx(0.9938, abs=1e-4)
    assert check_of(Figure(value=0.0, sd=1.0)).chance_beyond() == pytest.approx(0.3173, abs=1e-4)  # both tails
    assert check_of(Unsupported(reason="r", would_settle="w")).chance_beyond() is None


@given(st.floats(-5, 5), st.floats(0.001, 3), st.floats(0.1, 3))
def test_a_chance_is_a_chance_and_falls_as_the_target_rises(value: float, sd: float, target: float) -> None:
    near, far = (check_of(Figure(value=value, sd=sd), target=t).chance_beyond() for t in (target, target + 0.5))
    assert near is not None
    assert far is not None
    assert 0 <= far <= near <= 1 + 1e-12


def test_a_perfect_tube_has_no_symptom() -> None:
    nought = {zone: Vector(x_mm=0.01, y_mm=-0.01, sd_mm=0.02) for zone in ZONES}
    perfect = replace(
        convergence(), red_minus_green=nought, blue_minus_green=nought, worst_mm=Figure(value=0.03, sd=0.02)
    )
    none = Figure(value=0.1, sd=0.05)
    found = offered(
        convergence=perfect,
        geometry=replace(
            geometry(), pincushion_pct=dict.fromkeys(("top", "bottom", "left", "right"), none), linearity_h_pct=none
        ),
        top_curl=replace(top_curl(), amplitude_mm=none),
    )
    assert not [f for f in found.values() if f.state == "present"]
    for symptom in ("misconv_centre", "misconv_corner", "misconv_edge_cross", "misconv_edge_size", "top_curl"):
        assert found[symptom].state == "absent", symptom
        assert (found[symptom].chance or 0) >= 0.95


def test_a_corner_that_is_worse_than_the_middle_of_its_zone_counts() -> None:
    found = offered()["misconv_corner"]
    assert found.state == "present"
    assert found.words == "worst error of convergence, bottom right: 2.50 mm ± 0.03"


def crossed(x_top: float, y_right: float) -> dict[Zone, Vector]:
    """Red against green, turned: sideways at the top, up and down at the right."""
    sd = 0.02
    return {
        **{zone: Vector(x_mm=0.0, y_mm=0.0, sd_mm=sd) for zone in ZONES},
        "top": Vector(x_mm=x_top, y_mm=0.0, sd_mm=sd),
        "bottom": Vector(x_mm=-x_top, y_mm=0.0, sd_mm=sd),
        "right": Vector(x_mm=0.0, y_mm=y_right, sd_mm=sd),
        "left": Vector(x_mm=0.0, y_mm=-y_right, sd_mm=sd),
    }


def test_turned_rasters_cross_and_unequal_ones_differ_in_size() -> None:
    still = {zone: Vector(x_mm=0.0, y_mm=0.0, sd_mm=0.02) for zone in ZONES}
    turned = offered(convergence=replace(convergence(), red_minus_green=crossed(2.0, 0.0), blue_minus_green=still))
    assert turned["misconv_edge_cross"].state == "present"
    assert turned["misconv_edge_size"].state == "absent"
    assert turned["misconv_edge_cross"].words == "upright lines of red and blue cross by 2.00 mm ± 0.02 at the edges"
    wider = {
        **still,
        "right": Vector(x_mm=1.5, y_mm=0.0, sd_mm=0.02),
        "left": Vector(x_mm=-1.5, y_mm=0.0, sd_mm=0.02),
    }
    sized = offered(convergence=replace(convergence(), red_minus_green=wider, blue_minus_green=still))
    assert sized["misconv_edge_size"].state == "present"
    assert sized["misconv_edge_cross"].state == "absent"


def test_what_a_tilted_camera_hides_is_unknown_with_what_would_settle_it() -> None:
    found = offered()["trapezoid"]
    assert (found.state, found.chance) == ("unknown", None)
    assert found.words == "a tilted camera looks the same"
    assert found.would_settle == "the printed tags beside the picture"


def test_a_figure_of_the_rows_can_clear_but_not_accuse() -> None:
    assert offered()["v_top_stretch"].state == "absent"
    bad = offered(geometry=replace(geometry(), linearity_v_pct=Figure(value=40.0, sd=1.0)))
    assert "v_top_stretch" not in bad
    assert "v_bottom_compress" not in bad


def test_light_tells_of_a_weak_gun_a_stain_and_a_burn() -> None:
    found = offered(**light())
    present = {symptom for symptom, finding in found.items() if finding.state == "present"}
    assert present >= {"colour_weak", "highlight_silvery", "tint_in_brights", "purity_blotch", "burn_in_ghost"}
    assert found["purity_corners"].state == "absent"
    assert found["tint_in_darks"].state == "absent"
    assert found["colour_missing"].state == "absent"
    assert "9 % of the light lost" in found["burn_in_ghost"].words


def test_a_missing_colour_is_not_weak_as_well() -> None:
    parts = light()
    laws = dict(parts["tracking"].guns)
    laws["green"] = replace(laws["green"], strength_ratio=Figure(value=0.005, sd=0.003))
    found = offered(**{**parts, "tracking": replace(parts["tracking"], guns=laws)})
    assert found["colour_missing"].state == "present"
    assert "colour_weak" not in found


def test_a_blur_that_holds_the_cameras_own_accuses_nobody() -> None:
    wide = {zone: Figure(value=1.5, sd=0.02) for zone in ZONES}
    assert offered(focus=Focus(spot_h_mm=wide, spot_v_mm=wide, camera_blur="taken_off"))["defocus_all"].state == (
        "present"
    )
    blurred = offered(focus=Focus(spot_h_mm=wide, spot_v_mm=wide, camera_blur="included"))
    assert blurred["defocus_all"].state == "unknown"
    assert blurred["defocus_edges"].state == "unknown"


def test_targets_in_millimetres_scale_with_the_picture_and_the_others_do_not() -> None:
    def targets(width_mm: float) -> dict[str, float]:
        scale = Scale(
            width_mm=Figure(value=width_mm, sd=0.1),
            height_mm=Figure(value=width_mm * 0.75, sd=0.1),
            mm_per_px=Figure(value=0.1, sd=0.001),
            reference="tags",
        )
        return {check.source: check.reference for check in checks(measurement(scale=scale), KNOWLEDGE)}

    usual, small = targets(400.0), targets(200.0)
    assert usual["target_convergence_centre_mm"] == 0.5
    # 200 mm wide are 250 mm across, of a tube of 10.3 inches: 0.54 of the smallest that the targets are for
    assert small["target_convergence_centre_mm"] == pytest.approx(0.5 * 250 / 25.4 * 1.05 / 19)
    assert small["target_trapezoid_pct"] == usual["target_trapezoid_pct"]


def test_a_delta_gun_is_allowed_more() -> None:
    edge = {
        **zone_vectors(2),
        "centre": Vector(x_mm=0.55, y_mm=0.0, sd_mm=0.01),
    }
    measured = measurement(convergence=replace(convergence(), blue_minus_green=edge))
    inline = {f.symptom: f.state for f in findings(measured, KNOWLEDGE)}
    delta = {f.symptom: f.state for f in findings(measured, KNOWLEDGE, gun="delta")}
    assert inline["misconv_centre"] == "present"
    assert "misconv_centre" not in delta  # within, but not well within


def test_nothing_measured_offers_nothing_but_unknowns() -> None:
    from tubewright.answers.measurement import refused

    found = findings(refused("it is blurred", "hold still", (), None), KNOWLEDGE)
    assert {finding.state for finding in found} == {"unknown"}


def test_every_target_is_used() -> None:
    root = Path(tubewright.__file__).parent
    text = (root / "knowledge" / "facts" / "picture_parameters.toml").read_text(encoding="utf-8")
    code = "".join(path.read_text(encoding="utf-8") for path in (root / "judgement").glob("seen_*.py"))
    ids = [line.split('"')[1] for line in text.splitlines() if line.startswith("id = ")]
    assert len(ids) > 20
    spelled = {
        f"target_convergence_{where}{gun}_mm" for where in ("centre", "edge", "corner") for gun in ("", "_delta")
    }
    assert [name for name in ids if f'"{name}"' not in code and name not in spelled] == []


@pytest.mark.parametrize(
    ("value", "sd", "text"), [(1.2345, 0.5, "1.2 ± 0.5"), (12.3, 2.0, "12 ± 2"), (0.12345, 0.0012, "0.123 ± 0.001")]
)
def test_a_figure_is_said_as_finely_as_its_spread_allows(value: float, sd: float, text: str) -> None:
    assert said(Figure(value=value, sd=sd)) == text


def test_a_direction_smaller_than_its_spread_is_not_said() -> None:
    assert directed(Vector(x_mm=-0.5, y_mm=0.03, sd_mm=0.02)) == "0.50 mm left"


@pytest.mark.parametrize(
    ("vector", "zone", "text"),
    [
        (Vector(x_mm=0.0, y_mm=0.0, sd_mm=0.02), "centre", "red meets green in the middle, within 0.04 mm"),
        (Vector(x_mm=0.3, y_mm=-0.4, sd_mm=0.25), "top", "red meets green at the top, within 1.00 mm"),
        (Vector(x_mm=0.0, y_mm=0.0, sd_mm=0.0), "left", "red meets green at the left, within 0.01 mm"),
        (Vector(x_mm=0.3, y_mm=0.0, sd_mm=0.02), "centre", "red stands 0.30 mm right of green in the middle"),
    ],
)
def test_guns_that_meet_are_said_to_meet(vector: Vector, zone: Zone, text: str) -> None:
    assert against_green("red", vector, zone) == text
