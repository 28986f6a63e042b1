"""Hot pixels of a sensor: those that stay in place through turned frames are found and mended, others not."""

from __future__ import annotations

import pickle
import tracemalloc
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rawpy
import tifffile
from numpy.typing import NDArray

from belvedere.capture.decode import decode
from belvedere.capture.filter_pattern import FilterPattern, pattern_array
from belvedere.capture.frame import Exposure, Frame
from belvedere.capture.frame_store import FrameStore
from belvedere.capture.hot_pixels import HotPixels, Mosaic, find_hot_pixels
from belvedere.capture.metadata import read_metadata
from belvedere.capture.raw import develop_raw, develop_scene
from belvedere.capture.raw_mosaic import read_mosaic
from belvedere.capture.standing_out import Levels, noise_of
from belvedere.demo.dng import BLACK, WHITE, camera_from_srgb, sensor_values
from belvedere.demo.exif import exposure_s
from belvedere.demo.poses import plan_shots
from belvedere.demo.render import light_of, write_set
from belvedere.demo.sensor_faults import sensor_faults
from belvedere.demo.sets import set_spec
from belvedere.demo.spec import SetSpec

BAYER = FilterPattern(((0, 1), (1, 2)))
LARGER = FilterPattern(
    tuple(
        tuple("RGB".index(c) for c in row)
        for row in ("GBGGRG", "RGRBGB", "GBGGRG", "GRGGBG", "BGBRGR", "GRGGBG")
    )
)  # 6 x 6 with every colour in every row and column; of our own making
LEVELS = Levels((512.0, 512.0, 512.0), 15871.0)
FULL_WELL, READ_NOISE = 40000.0, 8.0  # electrons


def frame(rng: np.random.Generator, light: NDArray[np.float64], extra: NDArray[np.float64]) -> Mosaic:
    """A frame of light 0 to 1 with `extra` on some places, with shot and read noise."""
    seen = light + extra
    noise = np.sqrt(np.maximum(seen, 0.0) / FULL_WELL + (READ_NOISE / FULL_WELL) ** 2)
    codes = np.rint(512.0 + (seen + noise * rng.standard_normal(seen.shape)) * 15359.0)
    return Mosaic(np.clip(codes, 0, 15871).astype(np.uint16), BAYER, LEVELS)


def gentle(turn: int, shape: tuple[int, int] = (240, 320)) -> NDArray[np.float64]:
    """A scene without fine detail, another for every turn."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    return np.asarray(0.2 + 0.1 * np.sin(0.03 * x + turn) * np.cos(0.02 * y - 2 * turn))


def at(places: list[tuple[int, int]], width: int = 320) -> tuple[int, ...]:
    return tuple(sorted(y * width + x for y, x in places))


HOT = [(50, 60), (51, 61), (120, 200), (120, 202), (200, 33), (7, 9)]  # two pairs lie side by side
DEAD = [(90, 90), (161, 250)]


def faults(strength: float) -> NDArray[np.float64]:
    out = np.zeros((240, 320))
    for y, x in HOT:
        out[y, x] = strength
    for y, x in DEAD:
        out[y, x] = -1.0
    return out


@pytest.mark.parametrize("frames", [3, 5, 8])
def test_places_that_stay_are_found_and_no_others(frames: int) -> None:
    rng = np.random.default_rng(1)
    found = find_hot_pixels(frame(rng, gentle(t), faults(0.04)) for t in range(frames))
    assert found is not None
    assert found.bright == at(HOT)
    assert found.dark == at(DEAD)
    assert found.frames == frames


def test_an_array_of_six_by_six_is_searched_by_its_own_neighbours() -> None:
    """Colours of very different light: only neighbours of one colour can tell."""
    rng = np.random.default_rng(8)
    y, x = np.mgrid[:240, :320]
    share = np.array([0.5, 1.0, 0.3])[LARGER.as_array()[y % 6, x % 6]]
    mosaics = [replace(frame(rng, gentle(t) * share, faults(0.04)), pattern=LARGER) for t in range(5)]
    found = find_hot_pixels(mosaics)
    assert found is not None
    assert found.bright == at(HOT)
    assert found.dark == at(DEAD)


def test_two_frames_are_no_evidence() -> None:
    rng = np.random.default_rng(1)
    assert find_hot_pixels(frame(rng, gentle(t), faults(0.5)) for t in range(2)) is None
    assert find_hot_pixels([]) is None


def test_stars_sparks_lines_and_edges_are_left_alone() -> None:
    """Bright points in half of the frames, a line and an edge at the same place in all of them."""
    rng = np.random.default_rng(2)
    mosaics = []
    for turn in range(8):
        light = gentle(turn)
        light[100, :] += 0.3  # a thin line along the sensor's rows
        light[150:, :] += 0.3
        light[:90, 300:] *= 0.2
        stars = rng.integers(5, 230, (40, 2))
        light[stars[:, 0], stars[:, 1]] += 0.4
        if turn % 2:
            light[60, 70] += 0.4
        mosaics.append(frame(rng, light, np.zeros(light.shape)))
    found = find_hot_pixels(mosaics)
    assert found is not None
    assert found.bright == found.dark == ()
    assert found.identity == ""


def test_glitter_all_over_few_frames_names_nothing_by_chance() -> None:
    """One place in twelve glints in every frame, so that some glint in all three."""
    rng = np.random.default_rng(3)
    mosaics = []
    for turn in range(3):
        light = gentle(turn)
        light[rng.random(light.shape) < 0.08] += 0.5
        mosaics.append(frame(rng, light, np.zeros(light.shape)))
    glinting = np.logical_and.reduce([m.values > 512 + 0.45 * 15359 for m in mosaics])
    assert np.count_nonzero(glinting) > 5
    found = find_hot_pixels(mosaics)
    assert found is not None
    assert found.bright == ()


def test_where_a_frame_is_clipped_it_says_nothing() -> None:
    """A place over which most frames are at full well is judged by the others alone."""
    rng = np.random.default_rng(4)
    mosaics = [frame(rng, gentle(t) + (5.0 if t < 5 else 0.0), faults(0.1)) for t in range(8)]
    found = find_hot_pixels(mosaics)
    assert found is not None
    assert found.bright == at(HOT)


def test_noise_is_read_from_the_frame() -> None:
    """Within a fifth of the truth, although a fifth of the frame is rough."""
    rng = np.random.default_rng(5)
    light = np.repeat(np.linspace(0.02, 0.7, 8), 80)[None, :] * np.ones((480, 1))
    light[:100] *= 1.0 + 0.5 * rng.random((100, 640))
    mosaic = frame(rng, light, np.zeros(light.shape))
    for a, b in noise_of(mosaic.values, BAYER, LEVELS):
        for level in (2000.0, 8000.0):
            assert a + b * level == pytest.approx(9.4 + 0.384 * level, rel=0.2)


def demo_set(name: str, megapixels: float) -> SetSpec:
    spec = set_spec(name, megapixels=megapixels, raw="dng")
    return replace(spec, body=replace(spec.body, hot_per_megapixel=300.0, dead_per_megapixel=20.0))


def test_in_an_invented_place_all_that_show_are_found_and_no_others() -> None:
    """Bars: 99 % of those six times above noise and detail in three frames of four; one false in 10 MP.

    What stands out is known from what the simulated sensor added and from its neighbours' spread.
    """
    spec = demo_set("row", 1.0)
    shots = plan_shots(spec)
    mosaics = [Mosaic(sensor_values(spec, s, light_of(spec, s)), BAYER, LEVELS) for s in shots]
    truth = sensor_faults(spec)
    width, height = spec.stored_size
    inside = (truth.rows > 1) & (truth.rows < height - 2) & (truth.columns > 1) & (truth.columns < width - 2)
    rows, columns, per_s = truth.rows[inside], truth.columns[inside], truth.per_s[inside]
    clear = np.zeros(rows.size)
    for shot, mosaic in zip(shots, mosaics, strict=True):
        around = np.array(
            [
                mosaic.values[rows + dy, columns + dx]
                for dy, dx in ((0, 2), (0, -2), (2, 0), (-2, 0), (2, 2), (2, -2), (-2, 2), (-2, -2))
            ]
        ).astype(float)
        light = np.maximum(np.median(around, axis=0) - BLACK, 0.0)
        noise = np.sqrt(9.4 + 0.384 * light)
        detail = around.std(axis=0)
        added = np.minimum(per_s * exposure_s(shot) * (WHITE - BLACK), WHITE - BLACK - light)
        clear += added > 6.0 * np.hypot(noise, detail)
    shown = clear >= 0.75 * len(shots)
    assert np.count_nonzero(shown) > 10
    found = find_hot_pixels(mosaics)
    assert found is not None
    named = np.isin(rows * width + columns, found.bright)
    assert np.count_nonzero(named & shown) >= 0.99 * np.count_nonzero(shown)
    dead = (truth.dead_rows > 1) & (truth.dead_rows < height - 2)
    dead &= (truth.dead_columns > 1) & (truth.dead_columns < width - 2)
    assert np.isin((truth.dead_rows * width + truth.dead_columns)[dead], found.dark).mean() >= 0.99
    all_faults = np.concatenate(
        [truth.rows * width + truth.columns, truth.dead_rows * width + truth.dead_columns]
    )
    assert np.count_nonzero(~np.isin(found.places, all_faults)) <= 0.1 * width * height / 1e6


def test_memory_is_two_bytes_a_place_beside_the_frames() -> None:
    shape = (1500, 2000)
    mosaics = [Mosaic(np.full(shape, 3000 + t, np.uint16), BAYER, LEVELS) for t in range(3)]
    find_hot_pixels(mosaics)
    tracemalloc.start()
    find_hot_pixels(mosaics)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 6 * shape[0] * shape[1]


# Mending


def hot_at(places: list[tuple[int, int]], shape: tuple[int, int]) -> HotPixels:
    return HotPixels(shape[1], shape[0], at(places, shape[1]), (), (512.0, 512.0, 512.0), 8)


def colours(pattern: FilterPattern) -> NDArray[np.uint8]:
    return np.array(pattern.colours, dtype=np.uint8)


@pytest.mark.parametrize("pattern", [BAYER, LARGER])
def test_only_the_places_change_and_no_faulty_neighbour_counts(pattern: FilterPattern) -> None:
    rng = np.random.default_rng(6)
    flat = np.full((60, 80), 4000, np.uint16)
    rows, columns = rng.integers(0, 60, 150), rng.integers(0, 80, 150)
    spoilt = flat.copy()
    spoilt[rows, columns] = 15871
    hot_at(list(zip(rows.tolist(), columns.tolist(), strict=True)), (60, 80)).mend(spoilt, colours(pattern))
    np.testing.assert_array_equal(spoilt, flat)


@pytest.mark.parametrize("size", [(60, 80), (200, 300)])
def test_an_edge_is_followed(size: tuple[int, int]) -> None:
    """Half dark, half bright: a mended place has the light of its own side, learnt or not."""
    sides = np.full(size, 1000, np.uint16)
    sides[:, 41:] = 9000
    spoilt = sides.copy()
    places = [(20, 40), (25, 41), (31, 40), (36, 41), (40, 39), (44, 42)]
    for y, x in places:
        spoilt[y, x] = 15871
    hot_at(places, size).mend(spoilt, colours(BAYER))
    assert max(abs(int(spoilt[p]) - int(sides[p])) for p in places) < 0.03 * 8000


def test_a_mosaic_of_another_size_and_one_that_is_a_view_are_safe() -> None:
    other = np.full((40, 40), 4000, np.uint16)
    hot_at([(5, 5)], (60, 80)).mend(other, colours(BAYER))
    assert (other == 4000).all()
    whole = np.full((70, 100), 4000, np.uint16)
    shown = whole[4:64, 8:88]
    shown[5, 5] = 15871
    hot_at([(5, 5)], (60, 80)).mend(shown, colours(BAYER))
    assert (whole == 4000).all()


def test_mended_places_err_at_most_twice_as_much_as_places_beside(tmp_path: Path) -> None:
    """Root mean square over places and colours, against the light itself, through LibRaw's interpolation."""
    spec = replace(set_spec("row", megapixels=0.5, raw="dng"), columns=2)
    clean = write_set(spec, tmp_path / "clean")
    file = tmp_path / "clean" / clean.files[0]
    mosaic = read_mosaic(file)
    assert mosaic is not None
    height, width = mosaic.values.shape
    rng = np.random.default_rng(7)
    rows, columns = rng.integers(10, height - 10, 1500), rng.integers(10, width - 10, 1500)
    hot = hot_at(list(zip(rows.tolist(), columns.tolist(), strict=True)), (height, width))

    class Spoilt:
        """Spoils the places, then mends them if asked."""

        identity = "spoilt"

        def __init__(self, mends: bool) -> None:
            self.mends = mends

        def mend(self, values: NDArray[Any], pattern: NDArray[Any]) -> None:
            values[rows, columns] = 15871
            if self.mends:
                hot.mend(values, pattern)

    quiet = replace(spec, body=replace(spec.body, full_well=0.0))
    seen = develop_scene(file).astype(float)
    mended = develop_scene(file, Spoilt(True)).astype(float)
    spoilt = develop_scene(file, Spoilt(False)).astype(float)

    def error(picture: NDArray[np.float64], dy: int, dx: int) -> float:
        wrong = picture[rows + dy, columns + dx] - full[rows + dy, columns + dx]
        return float(np.sqrt(np.mean(wrong**2)))

    full = _full_colour(quiet)
    beside = np.mean([error(seen, dy, dx) for dy, dx in ((5, 0), (-5, 0), (0, 5), (0, -5))])
    assert error(mended, 0, 0) < 2.0 * beside
    assert error(spoilt, 0, 0) > 20.0 * beside


def _full_colour(spec: SetSpec) -> NDArray[np.float64]:
    """What every place would read in all three colours, 65535 at the white level, as stored."""
    shot = plan_shots(spec)[0]
    light = light_of(spec, shot)
    out = np.zeros((*sensor_values(spec, shot, light).shape, 3))
    back = np.linalg.inv(camera_from_srgb())
    for channel in range(3):
        alike = light @ camera_from_srgb().T.astype(np.float32)[:, channel]
        grey = np.repeat(alike[..., None], 3, axis=2) @ back.T.astype(np.float32)
        out[..., channel] = sensor_values(spec, shot, grey.astype(np.float32))
    return (out - BLACK) / (WHITE - BLACK) * 65535.0


# Files


def spoilt_set(tmp_path: Path, frames: int = 4) -> tuple[SetSpec, list[Path]]:
    spec = replace(demo_set("row", 0.3), columns=frames)
    known = write_set(spec, tmp_path)
    return spec, [tmp_path / name for name in known.files]


def test_developing_mends_in_both_lights(tmp_path: Path) -> None:
    _, files = spoilt_set(tmp_path)
    found = find_hot_pixels(m for m in map(read_mosaic, files) if m is not None)
    assert found is not None
    assert len(found.bright) > 2
    for develop in (develop_raw, develop_scene):
        before, after = develop(files[0]).astype(int), develop(files[0], found).astype(int)
        changed = np.abs(before - after).max(axis=2) > 0
        rows, columns = np.divmod(np.array(found.bright), found.width)
        assert changed[rows, columns].mean() > 0.95
        assert changed.mean() < 0.05


def test_decoded_frames_are_kept_apart_by_what_was_mended(tmp_path: Path) -> None:
    _, files = spoilt_set(tmp_path / "card")
    found = find_hot_pixels(m for m in map(read_mosaic, files) if m is not None)
    assert found is not None
    own = Frame((Exposure(files[0], read_metadata(files[0])),))
    with (
        FrameStore(tmp_path / "s", [own], mendings=[found]) as mended,
        FrameStore(tmp_path / "s", [own]) as plain,
    ):
        assert not mended.build_one(0)
        assert not plain.build_one(0)
        assert mended.build_one(0)
        np.testing.assert_array_equal(mended.whole(0, 0), decode(own.exposures[0], found))
        np.testing.assert_array_equal(plain.whole(0, 0), decode(own.exposures[0]))
        elsewhere = pickle.loads(pickle.dumps(mended))
        np.testing.assert_array_equal(elsewhere.whole(0, 0), mended.whole(0, 0))
        elsewhere.close()
        assert (mended.whole(0, 0) != plain.whole(0, 0)).any()


def test_a_picture_that_is_no_mosaic_is_passed_over(tmp_path: Path) -> None:
    spec = replace(set_spec("row", megapixels=0.1), columns=2)
    known = write_set(spec, tmp_path)
    assert read_mosaic(tmp_path / known.files[0]) is None


def test_the_pattern_counts_from_the_first_place_that_is_shown(tmp_path: Path) -> None:
    """With a border of odd width; each colour has its own code."""
    values = np.full((81, 121), 600, np.uint16)
    values[1::2, 1::2], values[2::2, 2::2] = 4000, 8000
    file = tmp_path / "odd.dng"
    tifffile.imwrite(
        file, values, photometric=32803, planarconfig=None, metadata=None, rowsperstrip=81,
        extratags=[
            (50706, 1, 4, bytes([1, 4, 0, 0]), False), (33421, 3, 2, (2, 2), False),
            (33422, 1, 4, bytes([0, 1, 1, 2]), False), (50710, 1, 3, bytes([0, 1, 2]), False),
            (50711, 3, 1, 1, False), (50717, 4, 1, 15871, False), (50829, 4, 4, (1, 1, 81, 121), False),
        ],
    )  # fmt: skip
    with rawpy.imread(str(file)) as raw:
        pattern = pattern_array(raw)
        assert pattern is not None
        corner = raw.raw_image_visible[:2, :2]
        assert {int(pattern[y, x]): int(corner[y, x]) for y in (0, 1) for x in (0, 1)} == {
            0: 4000, 1: 600, 2: 8000, 3: 600,
        }  # fmt: skip
