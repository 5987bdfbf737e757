"""Made-up photographs for the tests, as phones would write them."""

from io import BytesIO
from typing import Any

import numpy as np
from PIL import Image

RED, BLUE = (200, 30, 30), (30, 30, 200)
GPS, ORIENTATION = 0x8825, 0x0112


def picture(width: int = 640, height: int = 480, red: int = 100) -> Image.Image:
    """Return a blue picture with a red square of this many pixels in its upper left corner."""
    image = Image.new("RGB", (width, height), BLUE)
    image.paste(RED, (0, 0, red, red))
    return image


def written(image: Image.Image, form: str = "JPEG", **more: Any) -> bytes:
    """Return a picture as a file."""
    out = BytesIO()
    image.save(out, form, **more)
    return out.getvalue()


def by_phone(orientation: int = 1, **size: int) -> bytes:
    """Return a JPEG with place, camera and a remark written into it, to be turned as the phone was held."""
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    exif[0x0110] = "pocket camera of Tarn Hollow"
    exif.get_ifd(GPS)[2] = (46.0, 12.0, 0.0)
    return written(picture(**size), exif=exif, comment=b"Tarn Hollow", quality=90)


def noise(width: int, height: int) -> bytes:
    """Return a JPEG that cannot be packed well."""
    dots = np.random.default_rng(1).integers(0, 256, (height, width, 3), dtype=np.uint8)
    return written(Image.fromarray(dots), quality=95)
