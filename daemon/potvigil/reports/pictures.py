"""Pictures of a cast made ready to stand in a report: smaller, upright, and without what a camera adds.

Drawn anew, so that nothing but the picture gets into what is handed on: not the place it was taken at.
"""

import base64
from io import BytesIO

_MOST_PX = 1000
_MOST_POINTS = 100_000_000  # a picture may say that it is larger than any memory
_QUALITY = 82


def as_data_uri(content: bytes) -> str | None:
    """Return a picture as a JPEG within an address; None where it is none, or Pillow is missing."""
    try:
        from PIL import Image, ImageOps
    except ImportError:
        return None
    try:
        with Image.open(BytesIO(content), formats=("JPEG", "PNG", "WEBP")) as opened:
            if opened.width * opened.height > _MOST_POINTS:
                return None
            opened.draft("RGB", (_MOST_PX, _MOST_PX))  # a JPEG is read no larger than it is shown
            upright = ImageOps.exif_transpose(opened)
            upright.thumbnail((_MOST_PX, _MOST_PX))
            on_white = Image.new("RGB", upright.size, "white")
            on_white.paste(upright, mask=upright.convert("RGBA").getchannel("A"))
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return None
    file = BytesIO()
    on_white.save(file, "JPEG", quality=_QUALITY)
    return f"data:image/jpeg;base64,{base64.b64encode(file.getvalue()).decode()}"
