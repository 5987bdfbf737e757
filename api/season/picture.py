"""A photograph as it was sent, made into what is kept: upright, no larger than a page needs, nothing but the picture.

Notes
-----
What it is, its first bytes tell, not its name. It is drawn anew, so neither place, time nor camera that were written
into it are kept, nor anything hidden behind it. Colours of a wide gamut come out a little paler.
"""

import hashlib
from dataclasses import dataclass
from io import BytesIO
from threading import Lock
from typing import TYPE_CHECKING

from api.season.plants import PlantError

if TYPE_CHECKING:
    from PIL.Image import Image

LARGEST_BYTES = 12 * 1024 * 1024
"""[byte] of one photograph as sent: phones write 2 to 8 MB. Source: engineering judgement."""

MOST_PIXELS = {"JPEG": 50_000_000, "MPO": 50_000_000, "PNG": 13_000_000, "WEBP": 13_000_000}
"""Pixels that may come out of a file, by its form, which says how much memory they take. A JPEG is drawn at a fraction
of its size to begin with. MPO is what phones call a JPEG with a second picture in it. Source: engineering judgement."""

MOST_PROGRESSIVE = 75_000_000
"""Samples (pixels times colours) of a JPEG that comes in passes: all are held, two bytes each, before one is drawn.
25 megapixels in full colour. Source: engineering judgement."""

FORMS = ("JPEG", "PNG", "WEBP")
LONG_SIDE_PX, SMALL_SIDE_PX = 1600, 480
QUALITY = 82
_ORIENTATION = 0x0112
_TURNED: dict[object, str] = {
    2: "FLIP_LEFT_RIGHT",
    3: "ROTATE_180",
    4: "FLIP_TOP_BOTTOM",
    5: "TRANSPOSE",
    6: "ROTATE_270",
    7: "TRANSVERSE",
    8: "ROTATE_90",
}
"""How a camera was held, by Exif's Orientation, and what rights it. Only that is read: Pillow's own would write all the
rest anew, and fails where some other entry is odd. Source: CIPA DC-008 (Exif 2.32), table 4."""
_ONE_AT_A_TIME = Lock()


@dataclass(frozen=True, slots=True)
class Picture:
    """A photograph ready to be kept, as two JPEG files; its name is the SHA-256 of the larger."""

    name: str
    large: bytes
    small: bytes
    width_px: int
    height_px: int


class PictureError(PlantError):
    """A photograph that cannot be taken; says why, with the bound and the remedy."""


def small_size(width_px: int, height_px: int) -> tuple[int, int]:
    """Return the size of the smaller file of a photograph of this size."""
    share = min(SMALL_SIDE_PX / max(width_px, height_px), 1.0)
    return max(round(width_px * share), 1), max(round(height_px * share), 1)


def picture_of(content: bytes) -> Picture:
    """Read a photograph, one at a time since each takes memory.

    Raises
    ------
    PictureError
        If it is empty, too large, none of the three forms, has too many pixels, or breaks off.
    """
    if not content:
        raise PictureError("photograph: 0 bytes came; choose a picture, or leave it out")
    if len(content) > LARGEST_BYTES:
        raise _too_large(len(content))
    with _ONE_AT_A_TIME:
        whole = _drawn_anew(content)
        large = _jpeg(whole)
        small = _jpeg(whole.resize(small_size(*whole.size), reducing_gap=2.0))
        return Picture(hashlib.sha256(large).hexdigest(), large, small, *whole.size)


def _drawn_anew(content: bytes) -> "Image":
    # Only who sends a photograph needs the library, so no page waits for it.
    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(BytesIO(content), formats=FORMS) as sent:
            _refuse_pixels(sent.format or "", sent.size, len(sent.getbands()) if "progressive" in sent.info else 1)
            # A JPEG's reader can leave out what would be thrown away: 75 MB for 50 megapixels, not 265 (measured).
            sent.draft("RGB", (LONG_SIDE_PX, LONG_SIDE_PX))
            plain = sent if sent.mode in ("RGB", "RGBA", "L") else sent.convert("RGBA")
            plain.thumbnail((LONG_SIDE_PX, LONG_SIDE_PX))
            turned = _TURNED.get(plain.getexif().get(_ORIENTATION))
            upright = plain.copy() if turned is None else plain.transpose(Image.Transpose[turned])
    except UnidentifiedImageError as error:
        begins = content[:4].hex(" ")
        raise PictureError(
            f"photograph: its first bytes ({begins}) are of none of {', '.join(FORMS)}; send one of these"
        ) from error
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        most = MOST_PIXELS["JPEG"] // 1_000_000
        raise PictureError(f"photograph: more than {most} million pixels; send it smaller") from error
    except (OSError, SyntaxError, ValueError) as error:
        raise PictureError(f"photograph: breaks off or is damaged ({error}); send it again") from error
    # A new picture has nothing of what was written beside the old one; where one could see through it, it is white.
    whole = Image.new("RGB", upright.size, "white")
    whole.paste(upright, mask=upright if upright.mode == "RGBA" else None)
    return whole


def _too_large(size: int) -> PictureError:
    megabytes, most = size / 1_048_576, LARGEST_BYTES // 1_048_576
    return PictureError(f"photograph: {megabytes:.1f} MiB, at most {most} are taken; send it smaller")


def _refuse_pixels(form: str, size: tuple[int, int], held: int) -> None:
    """Refuse more pixels than there is room for, each `held` so many times over."""
    most = min(MOST_PIXELS[form], MOST_PROGRESSIVE // held)
    if size[0] * size[1] > most:
        raise PictureError(
            f"photograph: {size[0]} x {size[1]} pixels, at most {most // 1_000_000} million are taken; send it smaller"
        )


def _jpeg(image: "Image") -> bytes:
    written = BytesIO()
    image.save(written, "JPEG", quality=QUALITY, optimize=True, progressive=True)
    return written.getvalue()
