"""Static tiles: every file the specification implies and no other, of the right size and pixels."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from PIL import Image

from belvedere.deliver.iiif import TileSet, all_paths, image_information
from belvedere.deliver.picture import open_picture
from belvedere.deliver.screen_folder import ScreenMade, ScreenOptions, write_for_screen
from belvedere.errors import OutputFailed
from tests.screen_pictures import scene, srgb_code, srgb_light, write_picture

OPTIONS = ScreenOptions(share_px=(), tile=64, tile_quality=100)


def implied_requests(information: dict[str, Any]) -> Iterator[tuple[str, tuple[int, ...], tuple[int, int]]]:
    """(path, region x y w h, size) of all that an info.json promises at level 0, by the letter.

    IIIF Image API 3.0 (from memory): compliance, level 0: `full` and `max`; 5.3: "a request constructed with
    the w,h syntax using these sizes must be supported"; 5.4 and the implementation notes on tiles: for every
    scale factor s the regions begin at multiples of s times the tile, end at the picture's edge at the
    latest, and are asked for at ceil(region / s). 4.7, canonical: `full` for the whole picture, `max` for its
    largest size.
    """
    width, height = information["width"], information["height"]
    limit = information.get("maxWidth", width), information.get("maxHeight", height)
    whole = (0, 0, width, height)
    yield "full/max/0/default.jpg", whole, limit
    for size in information["sizes"]:
        pair = size["width"], size["height"]
        yield f"full/{pair[0]},{pair[1]}/0/default.jpg", whole, pair
    for tile in information["tiles"]:
        for s in tile["scaleFactors"]:
            for y in range(0, height, tile["height"] * s):
                for x in range(0, width, tile["width"] * s):
                    w, h = min(tile["width"] * s, width - x), min(tile["height"] * s, height - y)
                    pair = (w + s - 1) // s, (h + s - 1) // s
                    if (x, y, w, h) == whole:
                        said = "max" if pair == limit else f"{pair[0]},{pair[1]}"
                        yield f"full/{said}/0/default.jpg", whole, pair
                    else:
                        yield (
                            f"{x},{y},{w},{h}/{pair[0]},{pair[1]}/0/default.jpg",
                            (x, y, w, h),
                            pair,
                        )


def delivered(
    folder: Path, samples: NDArray[Any], options: ScreenOptions = OPTIONS, workers: int = 1
) -> ScreenMade:
    source = write_picture(folder / "view.tif", samples)
    with open_picture(source) as picture:
        return write_for_screen(picture, folder / "out", options, workers=workers)


def files_under(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize(
    ("width", "height"), [(1, 1), (64, 64), (65, 64), (301, 207), (700, 3), (3, 513), (4100, 70)]
)
def test_every_implied_file_is_there_and_no_other(tmp_path: Path, width: int, height: int) -> None:
    made = delivered(tmp_path, scene(width, height))
    tiles = tmp_path / "out" / "tiles"
    information = json.loads((tiles / "info.json").read_text())
    wanted = list(implied_requests(information))
    assert files_under(tiles) == {path for path, _, _ in wanted} | {"info.json"}
    assert made.tiles == len(files_under(tiles)) - 1
    for path, _, size in wanted:
        with Image.open(tiles / path) as image:
            assert image.size == size, path
            assert (image.format, image.mode) == ("JPEG", "RGB")


@given(st.integers(1, 5000), st.integers(1, 5000), st.sampled_from([64, 256, 512, 1022]))
def test_planned_files_are_the_implied_ones(width: int, height: int, tile: int) -> None:
    tiles = TileSet(width, height, tile)
    information = image_information(tiles, "https://pictures.example/view")
    planned = list(all_paths(tiles))
    assert len(planned) == len(set(planned))
    assert set(planned) == {path for path, _, _ in implied_requests(information)}
    # one tile holds the whole at the largest scale factor, and at no smaller one
    top = max(information["tiles"][0]["scaleFactors"])
    assert tile * top >= max(width, height)
    assert top == 1 or tile * top // 2 < max(width, height)


def test_info_json_says_what_level_0_has_to_say() -> None:
    """IIIF Image API 3.0, 5.2 (required properties), 5.3 (maxWidth, maxHeight and sizes); from memory."""
    small = image_information(TileSet(4000, 3000), "https://pictures.example/view")
    assert small == {
        "@context": "http://iiif.io/api/image/3/context.json",
        "id": "https://pictures.example/view",
        "type": "ImageService3",
        "protocol": "http://iiif.io/api/image",
        "profile": "level0",
        "width": 4000,
        "height": 3000,
        "sizes": [
            {"width": 500, "height": 375},
            {"width": 1000, "height": 750},
            {"width": 2000, "height": 1500},
            {"width": 4000, "height": 3000},
        ],
        "tiles": [{"width": 512, "height": 512, "scaleFactors": [1, 2, 4, 8]}],
    }
    large = image_information(TileSet(60_000, 33_000), "https://pictures.example/view")
    assert (large["maxWidth"], large["maxHeight"]) == (3750, 2063)
    assert all(size["width"] <= 3750 for size in large["sizes"])


def test_tiles_are_the_picture_reduced_in_linear_light(tmp_path: Path) -> None:
    """Against OpenCV's area means of linear light, at JPEG quality 100."""
    samples = scene(960, 640)
    delivered(tmp_path, samples)
    tiles = tmp_path / "out" / "tiles"
    information = json.loads((tiles / "info.json").read_text())
    light = srgb_light(samples / 65535.0)
    compared = 0
    for path, (x, y, w, h), size in implied_requests(information):
        part = light[y : y + h, x : x + w]
        if (w * size[1], w % size[0], h % size[1]) != (h * size[0], 0, 0):
            continue  # no whole number of pixels to one: other tests look at edges
        wanted = srgb_code(cv2.resize(part, size, interpolation=cv2.INTER_AREA)) * 255
        with Image.open(tiles / path) as image:
            got = np.asarray(image.convert("RGB"), np.float64)
        off = np.abs(got - wanted)
        assert off.mean() < 0.8, path
        assert off.max() < 6, path
        compared += 1
    assert compared > 150


def test_a_dark_mean_is_not_a_mean_of_codes(tmp_path: Path) -> None:
    """Black and white in turn give half the light, code 188 (IEC 61966-2-1), not 128."""
    samples = np.zeros((128, 128, 3), np.uint16)
    samples[:, ::2] = 65535
    delivered(tmp_path, samples)
    with Image.open(tmp_path / "out/tiles/full/64,64/0/default.jpg") as image:
        assert np.abs(np.asarray(image, int) - 188).max() <= 1


def test_odd_edges_show_their_own_pixels(tmp_path: Path) -> None:
    samples = np.full((129, 129, 3), 20_000, np.uint16)
    samples[-1, :] = samples[:, -1] = 60_000
    delivered(tmp_path, samples)
    with Image.open(tmp_path / "out/tiles/full/65,65/0/default.jpg") as image:
        got = np.asarray(image, int)
    assert np.abs(got[-1, 2:-2] - 233).max() <= 3  # 60000 / 257
    assert np.abs(got[5:-5, 5:-5] - 78).max() <= 2


def test_what_was_not_photographed_shows_the_ground_and_has_no_say(tmp_path: Path) -> None:
    samples = np.zeros((128, 128, 4), np.uint16)
    samples[..., :3] = 65535  # white lies under what is not covered
    samples[:, 64:, :3] = 30_000
    samples[:, 65:, 3] = 65535
    options = ScreenOptions(share_px=(), tile=64, tile_quality=100, ground=(10, 200, 60))
    delivered(tmp_path, samples, options)
    with Image.open(tmp_path / "out/tiles/full/64,64/0/default.jpg") as image:
        got = np.asarray(image, int)
    assert np.abs(got[:, :24] - (10, 200, 60)).max() <= 3
    assert np.abs(got[:, 40:] - 117).max() <= 3  # 30000 / 257


def test_same_bytes_for_any_number_of_workers(tmp_path: Path) -> None:
    seen = []
    for workers in (1, 3):
        folder = tmp_path / str(workers)
        folder.mkdir()
        options = ScreenOptions(share_px=(300, 100), tile=64)
        delivered(folder, scene(2100, 300), options, workers)
        out = folder / "out"
        seen.append({name: (out / name).read_bytes() for name in files_under(out)})
    assert seen[0] == seen[1]
    assert len(seen[0]) > 200


@pytest.mark.parametrize("tile", [63, 65, 0, 5000])
def test_tiles_of_no_use_are_refused(tile: int) -> None:
    with pytest.raises(OutputFailed, match="even number of pixels from 64 to 4096"):
        TileSet(100, 100, tile)
