"""A photograph is taken for what it is, drawn anew, and refused in words."""

import struct
import zlib
from io import BytesIO

import pytest
from PIL import Image, JpegImagePlugin

from api.season.picture import PictureError, picture_of, small_size
from tests.photographs import BLUE, RED, by_phone, picture, written


def opened(content: bytes) -> Image.Image:
    return Image.open(BytesIO(content))


def near(pixel: object, colour: tuple[int, int, int]) -> bool:
    assert isinstance(pixel, tuple)
    return all(abs(one - other) < 25 for one, other in zip(pixel, colour, strict=True))


def sized(width: int, height: int) -> bytes:
    """Return a PNG that says it has this size."""
    whole = bytearray(written(Image.new("1", (8, 8)), "PNG"))
    whole[16:24] = struct.pack(">II", width, height)
    whole[29:33] = struct.pack(">I", zlib.crc32(whole[12:29]))
    return bytes(whole)


@pytest.mark.parametrize(
    ("orientation", "corner"), [(1, (10, 10)), (3, (-10, -10)), (6, (-10, 10)), (8, (10, -10)), (2, (-10, 10))]
)
def test_it_stands_upright_however_the_phone_was_held(orientation: int, corner: tuple[int, int]) -> None:
    """The red corner lies where the eye saw it; turned by a quarter, width and height change places."""
    kept = picture_of(by_phone(orientation))
    assert (kept.width_px, kept.height_px) == ((480, 640) if orientation in (6, 8) else (640, 480))
    for content in (kept.large, kept.small):
        with opened(content) as image:
            at = corner[0] % image.width, corner[1] % image.height
            assert near(image.getpixel(at), RED)
            assert near(image.getpixel((image.width // 2, image.height // 2)), BLUE)


@pytest.mark.parametrize(("mode", "most"), [("RGB", 25), ("CMYK", 18), ("L", 50)])
def test_a_jpeg_in_passes_is_held_whole_and_so_may_have_fewer_pixels(mode: str, most: int) -> None:
    """50 megapixels for print took 400 MB of a machine of 1 GB; with one colour, or in one pass, they take little."""
    sent = bytearray(written(Image.new(mode, (16, 16)), "JPEG", progressive=True))
    begin = sent.index(b"\xff\xc2") + 5
    sent[begin : begin + 4] = struct.pack(">HH", 7072, 7072)
    with pytest.raises(PictureError, match=f"at most {most} million are taken"):
        picture_of(bytes(sent))
    sent[begin : begin + 4] = struct.pack(">HH", 16, 16)
    assert picture_of(bytes(sent)).width_px == 16


def test_an_odd_entry_beside_it_keeps_no_photograph_out() -> None:
    """A width written as letters: whoever would write all that stands there anew fails at it."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0112] = "cam", 6
    sent = written(picture(640, 480), "JPEG", exif=exif.tobytes()).replace(b"\x01\x0f\x00\x02", b"\x01\x00\x00\x02")
    kept = picture_of(sent)
    assert (kept.width_px, kept.height_px) == (480, 640)


def test_nothing_but_the_picture_is_kept() -> None:
    """Neither place, time, camera nor remark; what came had them."""
    sent = by_phone()
    assert b"Tarn Hollow" in sent
    kept = picture_of(sent)
    for content in (kept.large, kept.small):
        assert (b"Tarn Hollow" in content, b"Exif" in content) == (False, False)
        with opened(content) as image:
            assert (image.format, dict(image.getexif()), "comment" in image.info) == ("JPEG", {}, False)


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP", "MPO"])
def test_it_is_no_larger_than_a_page_needs(form: str) -> None:
    """At most 1600 and 480 pixels a side, in the same proportions, whatever form it came in."""
    more = {"save_all": True, "append_images": [picture(64, 48)]} if form == "MPO" else {}
    kept = picture_of(written(picture(3200, 1200), form, **more))
    assert (kept.width_px, kept.height_px) == (1600, 600)
    assert opened(kept.large).size == (1600, 600)
    assert opened(kept.small).size == (480, 180) == small_size(1600, 600)


def test_a_small_one_is_not_blown_up() -> None:
    """It stays as it is."""
    kept = picture_of(written(picture(320, 240)))
    assert opened(kept.large).size == opened(kept.small).size == (320, 240)


def test_where_one_could_see_through_it_is_white() -> None:
    """In a PNG with an alpha channel, and in one with a palette."""
    clear = Image.new("RGBA", (40, 40), (0, 0, 0, 0))
    palette = Image.new("P", (40, 40), 0)
    palette.putpalette([0, 0, 0, 200, 30, 30])
    for content in (written(clear, "PNG"), written(palette, "PNG", transparency=0)):
        assert near(opened(picture_of(content).large).getpixel((20, 20)), (255, 255, 255))


def test_the_same_picture_has_the_same_name() -> None:
    """And another one another."""
    assert picture_of(by_phone()).name == picture_of(by_phone()).name != picture_of(by_phone(3)).name


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "0 bytes came; choose a picture"),
        (b"%PDF-1.7 and more", "its first bytes (25 50 44 46) are of none of JPEG, PNG, WEBP; send one of these"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "are of none of"),
        (written(picture(), "GIF"), "are of none of"),
        (written(picture(), "TIFF"), "are of none of"),
        (by_phone()[:4000], "breaks off or is damaged"),
        (written(picture(), "PNG")[:600], "breaks off or is damaged"),
        (b"\xff" * 12_582_912, "are of none of"),
        (b"\xff" * 12_582_913, "12.0 MiB, at most 12 are taken; send it smaller"),
        (sized(4001, 3250), "4001 x 3250 pixels, at most 13 million are taken; send it smaller"),
        (sized(11_000, 10_000), "pixels"),
        (sized(60_000, 60_000), "more than 50 million pixels; send it smaller"),
    ],
    ids=["nothing", "pdf", "svg", "gif", "tiff", "half", "half-png", "most", "more", "pixels", "many", "bomb"],
)
def test_what_is_no_photograph_is_refused(content: bytes, said: str) -> None:
    """By its content, with the bound and what to do."""
    with pytest.raises(PictureError) as refused:
        picture_of(content)
    assert said in str(refused.value)


def test_a_large_jpeg_is_never_drawn_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of 7000 x 5000 pixels its reader hands out a quarter, from which the rest is made."""
    sent, drawn = written(picture(7000, 5000), quality=50), []
    load = JpegImagePlugin.JpegImageFile.load
    monkeypatch.setattr(JpegImagePlugin.JpegImageFile, "load", lambda image: (drawn.append(image.size), load(image))[1])
    assert picture_of(sent).width_px == 1600
    assert max(drawn) == (3500, 2500)


def test_as_many_pixels_as_may_be_are_taken() -> None:
    """4000 x 3250 of a PNG."""
    assert picture_of(written(Image.new("1", (4000, 3250)), "PNG")).width_px == 1600
