"""A photo of a job: what is kept of it, and how it is made of a camera's file.

Of the file only the picture stays: turned upright, made smaller, coded anew. Where and when it was taken, with what,
and what else a camera writes into a file (Exif, XMP, comments, a second picture) does not come along.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, NamedTuple

import msgspec

if TYPE_CHECKING:
    from PIL.Image import Image

MOST_FILE_BYTES = 12 * 1024 * 1024
"""Of a camera's file: what the web room lets in."""
MOST_SIDE = 2560
"""Pixels: the print on a chip is read on it when the board fills the picture."""
THUMBNAIL_SIDE = 320
MOST_JPEG_PIXELS = 120_000_000
"""A JPEG is read at a fraction of its size (`Image.draft`), so that a phone's 108 megapixels are no matter."""
MOST_PIXELS = 25_000_000
"""Of what is unpacked whole, other kinds and progressive JPEG: some 150 MB of memory."""
MOST_PHOTOS = 100
"""Of one job."""
KINDS = ("JPEG", "PNG", "WEBP")
_QUALITY, _SMALL_QUALITY = 85, 75


class PhotoError(ValueError):
    """A file of which no photo can be made; says what it is, what is allowed and what to do."""


class Photo(msgspec.Struct, frozen=True):
    """A photo as lists show it."""

    id: int
    job: str
    t_ns: int
    """When it was added, ns since the epoch, by the bench's clock."""
    caption: str
    width: int
    """Pixels, as are all sizes here."""
    height: int
    bytes: int
    by: str
    """Who added it."""


class Developed(NamedTuple):
    """The photo itself: two JPEGs without anything but their picture."""

    jpeg: bytes
    thumbnail: bytes
    width: int
    height: int


def develop(data: bytes) -> Developed:
    """Make a photo of a camera's file. Takes some 0.2 s for 12 megapixels. Raises PhotoError."""
    from PIL import Image

    if not 0 < len(data) <= MOST_FILE_BYTES:
        raise PhotoError(f"a photo of {len(data)} bytes: allowed are 1 to {MOST_FILE_BYTES}; make it smaller first")
    try:
        with Image.open(io.BytesIO(data), formats=KINDS) as opened:
            _check_pixels(opened)
            opened.draft("RGB", (MOST_SIDE, MOST_SIDE))
            picture = _upright(opened)
            picture.thumbnail((MOST_SIDE, MOST_SIDE))
            jpeg = _coded(picture, _QUALITY)
            size = picture.size
            picture.thumbnail((THUMBNAIL_SIDE, THUMBNAIL_SIDE))
            return Developed(jpeg, _coded(picture, _SMALL_QUALITY), *size)
    except PhotoError:
        raise
    except Image.DecompressionBombError as e:
        raise PhotoError(f"this file says that it has far too many pixels: make it smaller first ({e})") from e
    except Exception as e:  # a decoder that is given a stranger's bytes raises whatever comes of them
        raise PhotoError(
            f"this file cannot be read as a picture ({type(e).__name__}): allowed are {', '.join(KINDS)}; "
            "take the photo again, or save it as JPEG"
        ) from e


def _check_pixels(opened: Image) -> None:
    """By the file's head, before anything is unpacked."""
    width, height = opened.size
    most, kind = MOST_PIXELS, str(opened.format)
    if kind == "JPEG":
        # Of a progressive one all coefficients are kept until its last scan has come (ITU-T T.81, annex G).
        most, kind = (MOST_PIXELS, "progressive JPEG") if opened.info.get("progressive") else (MOST_JPEG_PIXELS, kind)
    if not 0 < width * height <= most:
        raise PhotoError(
            f"a photo of {width} × {height} pixels: allowed are {most / 1e6:.0f} megapixels in a {kind} file; "
            "make it smaller first"
        )


def _upright(opened: Image) -> Image:
    """A new picture, to which nothing is attached: `save` writes comments and XMP of the one that was read."""
    from PIL import Image, ImageOps

    opened.thumbnail((2 * MOST_SIDE, 2 * MOST_SIDE))  # less to turn and to copy
    try:
        turned = ImageOps.exif_transpose(opened)
    except Exception:  # Exif that cannot be read says nothing of the orientation
        turned = opened
    picture = Image.new("RGB", turned.size, "white")
    if "A" in turned.getbands() or "transparency" in turned.info:
        clear = turned.convert("RGBA")
        picture.paste(clear, mask=clear.getchannel("A"))
    else:
        picture.paste(turned.convert("RGB"))
    return picture


def _coded(picture: Image, quality: int) -> bytes:
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=quality, optimize=True)
    return out.getvalue()
