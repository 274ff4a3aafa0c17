"""Files as a camera writes them."""

from __future__ import annotations

import io
from typing import Any

from PIL import Image

SECRET = "49.1234 north, camera of somebody invented"


def camera_file(size: tuple[int, int] = (800, 600), orientation: int = 1, kind: str = "JPEG", **more: Any) -> bytes:
    """A picture, red at its left and blue at its right, with all that may tell of where and when it was taken."""
    picture = Image.new("RGB", size, "red")
    picture.paste("blue", (size[0] // 2, 0, *size))
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x010F] = SECRET
    exif.get_ifd(0x8825).update({1: "N", 2: (49.0, 12.0, 34.0)})
    out = io.BytesIO()
    told = {"exif": exif} | ({"comment": SECRET.encode()} if kind == "JPEG" else {}) | more
    picture.save(out, kind, **told)
    return out.getvalue()
