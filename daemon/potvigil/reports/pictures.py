"""Pictures of a cast prepared for a report: scaled down, upright, without the camera's metadata.

They are re-encoded, so that nothing else in the file, such as where it was taken, is passed on.
"""

import base64
from io import BytesIO

_MOST_PX = 1000
_MOST_PIXELS = 100_000_000  # a header may claim more than any memory holds
_QUALITY = 82


def as_data_uri(content: bytes) -> str | None:
    """Return a picture as the data URI of a JPEG; None where it is no picture, or Pillow is missing."""
    try:
        from PIL import Image, ImageOps
    except ImportError:
        return None
    try:
        with Image.open(BytesIO(content), formats=("JPEG", "PNG", "WEBP")) as opened:
            if opened.width * opened.height > _MOST_PIXELS:
                return None
            opened.draft("RGB", (_MOST_PX, _MOST_PX))  # a JPEG is decoded no larger than it is shown
            upright = ImageOps.exif_transpose(opened)
            upright.thumbnail((_MOST_PX, _MOST_PX))
            on_white = Image.new("RGB", upright.size, "white")
            on_white.paste(upright, mask=upright.convert("RGBA").getchannel("A"))
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None
    file = BytesIO()
    on_white.save(file, "JPEG", quality=_QUALITY)
    return f"data:image/jpeg;base64,{base64.b64encode(file.getvalue()).decode()}"
