"""
Makes heic/small.heic, a small copy of one sample photo as phones store it, for the loader's test.

    python sample_images/make/heic.py

Needs pillow-heif, which is no dependency of texscan: its wheels carry an encoder under the GPL; a picture made with
it is free of that.
"""

from pathlib import Path

import pillow_heif
from PIL import Image

HERE = Path(__file__).resolve().parents[1]
SIZE_PX = (450, 600)
QUALITY = 80


def main():
    pillow_heif.register_heif_opener()
    photo = Image.open(HERE / "panels" / "foredeck-sound" / "a.jpg")
    exif = photo.getexif()
    (HERE / "heic").mkdir(exist_ok=True)
    photo.resize(SIZE_PX, Image.Resampling.LANCZOS).save(HERE / "heic" / "small.heic", quality=QUALITY, exif=exif)


if __name__ == "__main__":
    main()
