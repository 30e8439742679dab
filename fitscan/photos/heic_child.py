"""A program of its own that decodes one HEIC file from its input to its output.

`fitscan.photos.heic` runs it, because the HEIC decoder can bring down the whole process when a
file is damaged; here that costs one photo.

Output: one line of JSON (width, height, exif in base64 or null, channels), then, when asked for,
the pixels row by row. Exit code 3: the file cannot be decoded.
"""

from __future__ import annotations

import base64
import json
import sys

__all__: list[str] = []


def main(most_pixels: int) -> int:
    """Decode; pictures with more than `most_pixels` pixels give their head only."""
    import pi_heif

    try:
        image = pi_heif.open_heif(sys.stdin.buffer.read(), convert_hdr_to_8bit=True)
        width, height = image.size
        pixels = b""
        if width * height <= most_pixels:
            pixels = bytes(image.data)
            width, height = image.size  # decoding may correct what the head said
            if image.stride * height != len(pixels) or image.stride % width:
                return 3
        exif = image.info.get("exif")
        channels = image.stride // width if pixels else 0
    except (ValueError, RuntimeError, OSError, EOFError, SyntaxError, IndexError):
        return 3
    text = base64.b64encode(exif).decode("ascii") if exif else None
    head = {"width": width, "height": height, "exif": text, "channels": channels}
    sys.stdout.buffer.write(json.dumps(head).encode("ascii") + b"\n")
    sys.stdout.buffer.write(pixels)
    sys.stdout.buffer.flush()
    return 0


if __name__ == "__main__":
    # This file's folder is no place to import from.
    del sys.path[0]
    sys.exit(main(int(sys.argv[1])))
