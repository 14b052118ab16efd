"""Makes the pictures of the README and of docs/ from the shipped demo: `python docs/pictures.py`."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image

from poredepth import load_recipe, prepare, preview
from poredepth.demo import demo_recipe_file
from poredepth.view.directions import direction_picture
from poredepth.view.head import head_picture

IMAGES = Path(__file__).parent / "images"


def save(image: np.ndarray, name: str, width_px: int, quality: int = 90) -> None:
    """Store a picture scaled to ``width_px`` as JPEG, small enough for the repository."""
    picture = Image.fromarray(image)
    height_px = round(picture.height * width_px / picture.width)
    picture.resize((width_px, height_px), Image.Resampling.LANCZOS).save(IMAGES / name, quality=quality, optimize=True)


def main() -> None:
    IMAGES.mkdir(exist_ok=True)
    composition = prepare(load_recipe(demo_recipe_file()))
    save(head_picture(composition, crop=((0.0, -2.0, 9.0), 150.0), size_px=1400), "head.jpg", 900)
    drawing = direction_picture(composition.ground, size_px=1024, azimuth_deg=24, pitch_deg=4)
    save(drawing.image, "directions.jpg", 900, quality=84)
    for region in ("cheek_left", "forehead"):
        save(preview(composition, region, map_size_px=8192, size_px=800).image, f"{region}.jpg", 800)


if __name__ == "__main__":
    main()
