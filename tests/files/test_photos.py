"""A photograph is taken in whole, upright and as light, or refused with advice."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

import photo_files
from junk import all_junk
from photo_files import lopsided, oriented, turned_away
from tubewright.errors import Fault, InputError, RefusedError
from tubewright.files.photo_facts import colours, srgb_coded, srgb_light, taken
from tubewright.files.photos import read_photo
from tubewright.picture.seen import Photo

Writer = Callable[[NDArray[np.uint8], int], bytes]


def _as_dng(pixels: NDArray[np.uint8], orientation: int) -> bytes:
    return photo_files.dng(pixels / 255, orientation=orientation)


WRITERS: dict[str, Writer] = {
    "jpeg": lambda pixels, turned: photo_files.jpeg(pixels, exif=oriented(turned)),
    "heic": lambda pixels, turned: photo_files.heic(pixels, exif=oriented(turned)),
    "png": lambda pixels, turned: photo_files.png(pixels, exif=oriented(turned)),
    "png16": lambda pixels, turned: photo_files.png(pixels.astype(np.uint16) * 257, exif=oriented(turned)),
    "tiff": lambda pixels, turned: photo_files.tiff(pixels, orientation=turned),
    "tiff16": lambda pixels, turned: photo_files.tiff(pixels.astype(np.uint16) * 257, orientation=turned, order=">"),
    "dng": _as_dng,
}


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", WRITERS)
def test_every_decoder_turns_a_picture_upright_exactly_once(kind: str, orientation: int) -> None:
    upright = lopsided()
    photo = read_photo(WRITERS[kind](turned_away(upright, orientation), orientation))
    pixels = photo.pixels.astype(float) / np.iinfo(photo.pixels.dtype).max
    assert pixels.shape == upright.shape
    inside = upright[40:-40, 40:-40] / 255
    error = np.abs(pixels[40:-40, 40:-40] - inside)
    assert np.median(error) < 0.01
    assert np.quantile(error, 0.97) < 0.06  # more than a mosaic's or a compressor's edges would be another picture


def test_the_camera_notes_its_exposure_lens_zoom_name_and_sensitivity() -> None:
    first: tuple[photo_files.Entry, ...] = ((271, 2, b"Lumen\x00"), (272, 2, b"Lumen One\x00"))
    camera: tuple[photo_files.Entry, ...] = (
        (33434, 5, (1, 15)),
        (34855, 3, (64,)),
        (41988, 5, (2, 1)),
        (41989, 3, (26,)),
    )
    for order in "<>":
        photo = read_photo(photo_files.jpeg(lopsided(), exif=photo_files.exif_block(first, camera, order=order)))
        assert photo.exposure_s == pytest.approx(1 / 15)
        assert (photo.focal_35mm, photo.zoomed_ratio, photo.iso, photo.camera) == (26, 2, 64, "Lumen One")


def test_a_raw_file_is_linear_and_keeps_the_camera_s_own_channels() -> None:
    light = np.full((600, 900, 3), 0.1)
    light[:, 300:600] = (0.2, 0.4, 0.05)
    light[:, 600:] = (0.4, 0.8, 0.1)
    photo = read_photo(photo_files.dng(light))
    assert photo.coding == "linear"
    assert photo.primaries == "camera"
    assert (photo.exposure_s, photo.iso, photo.focal_35mm, photo.camera) == (1 / 25, 200, 26, "Lumen One")
    for column, expected in ((150, (0.1, 0.1, 0.1)), (450, (0.2, 0.4, 0.05)), (750, (0.4, 0.8, 0.1))):
        np.testing.assert_allclose(photo.pixels[300, column] / 65535, expected, atol=0.002)


def test_a_file_and_its_bytes_give_the_same_photograph(tmp_path: Path) -> None:
    data = photo_files.jpeg(lopsided())
    path = tmp_path / "bench.dat"  # told by content
    path.write_bytes(data)
    first, second = read_photo(path), read_photo(data, name="other")
    np.testing.assert_array_equal(first.pixels, second.pixels)
    assert (first.name, second.name) == ("bench.dat", "other")


def test_a_small_photograph_is_warned_of_and_a_tiny_one_refused() -> None:
    assert any("megapixels" in warning for warning in read_photo(photo_files.jpeg(lopsided())).warnings)
    large = np.full((2448, 3264, 3), 90, dtype=np.uint8)  # what a phone calls 8 megapixels
    assert read_photo(photo_files.jpeg(large)).warnings == ()
    for size in ((1, 1), (64, 64), (3000, 300)):
        with pytest.raises(RefusedError, match="too few"):
            read_photo(photo_files.jpeg(np.zeros((*size, 3), dtype=np.uint8)))


def test_what_is_not_there_is_a_wrong_input_not_a_refusal(tmp_path: Path) -> None:
    for path in (tmp_path / "none.jpg", tmp_path):
        with pytest.raises(InputError, match="can't be read"):
            read_photo(path)
    with pytest.raises(InputError, match="can't be read"):
        read_photo(Path("a\x00b"))


@pytest.mark.parametrize("progressive", [False, True])
def test_a_jpeg_cut_anywhere_is_refused(progressive: bool) -> None:
    data = photo_files.jpeg(lopsided(), exif=oriented(1), progressive=progressive)
    cuts = {int(len(data) * share) for share in (0.0005, 0.01, 0.1, 0.3, 0.5, 0.9, 0.99, 0.999)}
    for cut in sorted(cuts | {2, 3, 4, 20, len(data) - 3, len(data) - 2, len(data) - 1}):
        with pytest.raises(RefusedError):
            read_photo(data[:cut])


@pytest.mark.parametrize("kind", ["heic", "png", "tiff", "dng"])
def test_every_other_kind_cut_anywhere_is_refused(kind: str) -> None:
    data = WRITERS[kind](lopsided(), 1)
    for cut in [*(int(len(data) * share) for share in (0.0005, 0.01, 0.1, 0.5, 0.9, 0.999)), len(data) - 1]:
        with pytest.raises(RefusedError):
            read_photo(data[:cut])


def test_a_jpeg_that_lost_its_middle_is_refused() -> None:
    noisy = np.random.default_rng(5).integers(0, 255, (700, 900, 3), dtype=np.uint8)
    data = photo_files.jpeg(noisy)
    with pytest.raises(RefusedError, match="lower end"):
        read_photo(data[: len(data) // 2] + data[len(data) // 2 + len(data) // 5 :])


def test_a_header_that_asks_for_gigabytes_is_refused_before_anything_is_decoded() -> None:
    png = photo_files.png(lopsided())
    header = struct.pack(">IIBBBBB", 30000, 30000, 8, 2, 0, 0, 0)
    bomb = png[:8] + photo_files.png_chunk(b"IHDR", header) + png[33:]
    jpeg = bytearray(photo_files.jpeg(lopsided()))
    frame = jpeg.index(b"\xff\xc0")
    jpeg[frame + 5 : frame + 9] = struct.pack(">HH", 30000, 30000)
    tiff = photo_files.tiff(lopsided()).replace(
        struct.pack("<HHII", 256, 4, 1, 900), struct.pack("<HHII", 256, 4, 1, 300000)
    )
    for data in (bomb, bytes(jpeg), tiff):
        with pytest.raises(RefusedError, match="more than 120 million"):
            read_photo(data)


@pytest.mark.parametrize(("mode", "words"), [("L", "black and white"), ("CMYK", "four inks")])
def test_a_photograph_without_three_channels_is_refused(mode: str, words: str) -> None:
    import io

    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(lopsided()).convert(mode).save(out, "JPEG")
    with pytest.raises(RefusedError, match=words):
        read_photo(out.getvalue())


def test_a_broken_exif_block_is_passed_over() -> None:
    for broken in (b"II*\x00\xff\xff\xff\x7f", b"nonsense", b"MM\x00*\x00\x00\x00\x08\xff\xff" + b"\xff" * 40):
        photo = read_photo(photo_files.jpeg(lopsided(), exif=broken))
        assert photo.exposure_s is None
        assert any("damaged" in warning for warning in photo.warnings)


def test_a_loop_of_directories_ends() -> None:
    block = bytearray(photo_files.exif_block(((271, 2, b"Lumen\x00"),)))
    block[22:26] = struct.pack("<I", 8)  # the next directory is this one
    assert taken(bytes(block)).camera == "Lumen"


def test_figures_that_no_camera_has_are_unknown() -> None:
    camera: tuple[photo_files.Entry, ...] = ((33434, 5, (1, 0)), (34855, 3, (0,)), (41988, 5, (0, 0)), (41989, 3, (0,)))
    facts = taken(photo_files.exif_block((), camera))
    assert (facts.exposure_s, facts.iso, facts.zoomed_ratio, facts.focal_35mm) == (None, None, 1.0, None)


def test_several_pictures_and_second_layers_leave_the_main_one() -> None:
    import io

    from PIL import Image

    out = io.BytesIO()
    other = Image.fromarray(np.zeros((500, 700, 3), dtype=np.uint8))
    Image.fromarray(lopsided()).save(out, "MPO", save_all=True, append_images=[other])
    photo = read_photo(out.getvalue())
    assert photo.pixels.shape == (640, 900, 3)
    assert photo.pixels[50, 50, 0] > 150

    plain = photo_files.jpeg(lopsided())
    note = b"http://ns.adobe.com/xap/1.0/\x00<x hdrgm:Version='1.0'/>"
    with_map = plain[:2] + b"\xff\xe1" + struct.pack(">H", len(note) + 2) + note + plain[2:] + plain
    assert any("HDR" in warning for warning in read_photo(with_map).warnings)


def test_a_wide_gamut_photograph_keeps_its_numbers_and_says_whose_primaries_they_are() -> None:
    for primaries in ("srgb", "display_p3"):
        profile = photo_files.profile(primaries, "srgb")
        plain, marked = photo_files.jpeg(lopsided()), photo_files.jpeg(lopsided(), icc_profile=profile)
        first, second = read_photo(plain), read_photo(marked)
        np.testing.assert_array_equal(first.pixels, second.pixels)
        assert (first.primaries, second.primaries) == ("srgb", primaries)


def test_another_curve_is_brought_to_the_same_light() -> None:
    ramp = np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 3, axis=2)
    ramp = np.tile(np.repeat(ramp, 4, axis=1), (600, 1, 1))
    data = photo_files.jpeg(ramp, quality=100, subsampling=0, icc_profile=photo_files.profile("srgb", "gamma"))
    photo = read_photo(data)
    assert photo.pixels.dtype == np.uint16
    light = srgb_light(photo.pixels[300, 2::4, 1] / 65535)
    np.testing.assert_allclose(light, (np.arange(256) / 255) ** 2.2, atol=0.012)  # a compressor's step or two


def test_a_broken_profile_is_passed_over() -> None:
    good = photo_files.profile("display_p3", "srgb")
    for broken in (b"x", good[:140], good.replace(b"para", b"none"), good[:-30]):
        photo = read_photo(photo_files.jpeg(lopsided(), icc_profile=broken))
        assert photo.primaries == "srgb"
        assert any("profile" in warning for warning in photo.warnings)


def test_curves_of_profiles_agree_with_a_reference_library() -> None:
    """Against Little CMS (through Pillow), whose sRGB profile is its own."""
    from PIL import ImageCms

    made = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert colours(made).curves is None
    assert colours(made).primaries == "srgb"
    gamma = colours(photo_files.profile("display_p3", "gamma"))
    assert gamma.primaries == "display_p3"
    assert gamma.curves is not None
    np.testing.assert_allclose(gamma.curves[0], np.linspace(0, 1, 4096) ** 2.19921875, atol=1e-9)


def test_the_curve_of_srgb_has_the_standard_s_values_and_turns_back() -> None:
    # IEC 61966-2-1:1999: the two pieces meet at 0.04045 and 0.0031308; 8-bit code 128 as computed from its formula
    assert srgb_light(np.array([0.04045]))[0] == pytest.approx(0.0031308, abs=1e-7)
    assert srgb_light(np.array([128 / 255]))[0] == pytest.approx(0.21586, abs=1e-5)
    steps = np.linspace(0, 1, 300)
    np.testing.assert_allclose(srgb_coded(srgb_light(steps)), steps, atol=2e-6)


def test_deep_pictures_keep_their_depth() -> None:
    fine = np.zeros((640, 900, 3), dtype=np.uint16)
    fine[..., 0] = np.arange(900) * 70
    fine[..., 1] = 12345
    for data in (photo_files.png(fine), photo_files.tiff(fine)):
        np.testing.assert_array_equal(read_photo(data).pixels, fine)


def test_every_refusal_says_where_and_how_to_shoot_it_better() -> None:
    def faults(data: bytes) -> tuple[Fault, ...]:
        with pytest.raises(RefusedError) as caught:
            read_photo(data, name="bench.jpg")
        return caught.value.faults

    jpeg = photo_files.jpeg(lopsided())
    for data in (b"", b"hello there", b"%PDF-1.7", b"GIF89a", b"PK\x03\x04", jpeg[:-10], b"\0" * 300):
        (fault,) = faults(data)
        assert fault.where == "bench.jpg"
        assert len(fault.mend) > 20


JUNK = tuple(all_junk())


def test_there_are_two_hundred_kinds_of_junk_all_different() -> None:
    assert len({one.data for one in JUNK}) == len(JUNK) >= 200
    assert len({one.name for one in JUNK}) == len(JUNK)


@pytest.mark.parametrize("start", range(0, len(JUNK), 20))
def test_junk_is_refused_or_read_whole(start: int) -> None:
    """No other error escapes, and nothing that is cut off or no photograph is let in."""
    for name, data, fate in JUNK[start : start + 20]:
        photo, faults = _read_or_refused(data, name)
        if photo is None:
            assert fate != "whole", name
            assert all(fault.what and fault.mend and fault.where == name for fault in faults)
        else:
            assert fate != "refused", name
            assert photo.pixels.ndim == 3
            assert photo.pixels.shape[2] == 3
            assert photo.pixels.dtype in (np.uint8, np.uint16)


def _read_or_refused(data: bytes, name: str) -> tuple[Photo | None, tuple[Fault, ...]]:
    try:
        return read_photo(data, name=name), ()
    except RefusedError as error:
        return None, error.faults
