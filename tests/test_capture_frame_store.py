"""The store on disk answers as the arrays in memory do, in bounded memory, and survives being killed."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import textwrap
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from belvedere.capture import positional_read, tile_file
from belvedere.capture.digest import file_sha256
from belvedere.capture.frame import Exposure, Frame, Metadata
from belvedere.capture.frame_source import FramesInMemory, FrameSource
from belvedere.capture.frame_store import FrameStore
from belvedere.capture.levels import halve, level_sizes
from belvedere.capture.metadata import read_metadata
from belvedere.errors import OutputFailed, UnreadableFile

SIZES = ((300, 260, np.uint8), (513, 257, np.uint16), (70, 600, np.uint8), (1, 3, np.uint16))


def noise(width: int, height: int, dtype: type, seed: int = 3) -> NDArray[np.uint8]:
    top = np.iinfo(dtype).max + 1
    return np.random.default_rng(seed).integers(0, top, (height, width, 3)).astype(dtype)


def frame_of(file: Path, pixels: NDArray[np.uint8]) -> Frame:
    height, width = pixels.shape[:2]
    metadata = Metadata(stored_width=width, stored_height=height, bits=8 * pixels.dtype.itemsize)
    return Frame((Exposure(file, metadata),))


def written(folder: Path, name: str, pixels: NDArray[np.uint8]) -> Frame:
    file = folder / name
    assert cv2.imwrite(str(file), cv2.cvtColor(pixels, cv2.COLOR_RGB2BGR))
    return Frame((Exposure(file, read_metadata(file)),))


@pytest.fixture(scope="module")
def sources(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[list[NDArray[np.uint8]], FrameStore, FramesInMemory]:
    arrays = [noise(w, h, dtype) for w, h, dtype in SIZES]
    frames = [frame_of(Path(f"{i}.png"), a) for i, a in enumerate(arrays)]
    store = FrameStore(tmp_path_factory.mktemp("store"), frames, cache_bytes=1 << 20, open_files=2)
    for i, a in enumerate(arrays):
        store.add(i, a, f"{i:064x}")
    return arrays, store, FramesInMemory(arrays)


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_any_window_is_the_whole_sliced_with_its_edges_repeated(sources: tuple, data: st.DataObject) -> None:
    arrays, store, memory = sources
    frame = data.draw(st.integers(0, len(arrays) - 1))
    level = data.draw(st.integers(0, store.levels(frame) - 1))
    x0, y0 = data.draw(st.integers(-700, 900)), data.draw(st.integers(-700, 900))
    x1, y1 = x0 + data.draw(st.integers(0, 700)), y0 + data.draw(st.integers(0, 700))
    whole = memory.whole(frame, level)
    columns = np.clip(np.arange(x0, x1), 0, whole.shape[1] - 1)
    rows = np.clip(np.arange(y0, y1), 0, whole.shape[0] - 1)
    expected = whole[np.ix_(rows, columns)]
    source: FrameSource
    for source in (store, memory):
        found = source.window(frame, level, x0, y0, x1, y1)
        np.testing.assert_array_equal(found, expected)
        assert found.shape == (y1 - y0, x1 - x0, 3)
        assert found.dtype == source.dtype(frame, level)
        assert found.flags.c_contiguous
        assert found.flags.owndata


def test_levels_sizes_and_wholes_agree(sources: tuple) -> None:
    arrays, store, memory = sources
    for i, a in enumerate(arrays):
        assert store.levels(i) == memory.levels(i)
        np.testing.assert_array_equal(store.whole(i, 0), a)
        for level in range(store.levels(i)):
            assert store.size(i, level) == memory.size(i, level)
            assert store.dtype(i, level) == memory.dtype(i, level)
            np.testing.assert_array_equal(store.whole(i, level), memory.whole(i, level))


def test_a_window_is_the_callers_own(sources: tuple) -> None:
    _, store, memory = sources
    for source in (store, memory):
        before = source.window(0, 0, 0, 0, 256, 256)
        source.window(0, 0, 0, 0, 256, 256)[...] = 0
        np.testing.assert_array_equal(source.window(0, 0, 0, 0, 256, 256), before)


@pytest.mark.parametrize("size", [(64, 64), (65, 67), (64, 101), (1, 1), (2, 1)])
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_level_is_the_mean_of_two_by_two(size: tuple[int, int], dtype: type) -> None:
    """Against the definition in whole numbers: 8-bit codes x 257, odd edges repeated, halves up."""
    a = noise(*size, dtype)
    p = np.pad(a, ((0, a.shape[0] % 2), (0, a.shape[1] % 2), (0, 0)), "edge").astype(np.int64)
    p *= 257 if dtype == np.uint8 else 1
    expected = (p[::2, ::2] + p[1::2, ::2] + p[::2, 1::2] + p[1::2, 1::2] + 2) // 4
    np.testing.assert_array_equal(halve(a), expected)
    assert halve(np.full_like(a, np.iinfo(dtype).max)).min() == 65535


def test_level_sizes_are_those_of_the_scaled_camera() -> None:
    from belvedere.geometry.camera import Camera

    camera = Camera(6001, 4003, 5000.0, (3000.0, 2001.0), (0.0, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0))
    for level, size in enumerate(level_sizes(6001, 4003)):
        assert (camera.scaled(level).width, camera.scaled(level).height) == size


def test_many_threads_within_the_bounds(sources: tuple) -> None:
    _, store, memory = sources

    def check(seed: int) -> None:
        rng = np.random.default_rng(seed)
        for _ in range(40):
            frame = int(rng.integers(0, 3))
            x, y = (int(v) for v in rng.integers(-40, 500, 2))
            np.testing.assert_array_equal(
                store.window(frame, 0, x, y, x + 90, y + 70), memory.window(frame, 0, x, y, x + 90, y + 70)
            )
            assert store.cached_bytes <= 1 << 20

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(check, range(16)))
    assert store._reader.open_count <= 2


@pytest.mark.parametrize("cache_bytes", [0, 200_000, 1 << 20])
def test_the_cache_never_holds_more_than_it_may(tmp_path: Path, cache_bytes: int) -> None:
    a = noise(1100, 600, np.uint8)
    with FrameStore(tmp_path, [frame_of(Path("a"), a)], cache_bytes=cache_bytes) as store:
        store.add(0, a, "a" * 64)
        for x in range(0, 1100, 100):
            np.testing.assert_array_equal(store.window(0, 0, x, 0, x + 100, 600), a[:, x : x + 100])
            assert store.cached_bytes <= cache_bytes


def test_where_the_system_cannot_read_at_a_position(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(positional_read.os, "preadv")
    a = noise(600, 300, np.uint8)
    with FrameStore(tmp_path, [frame_of(Path("a"), a)], cache_bytes=0) as store:
        store.add(0, a, "a" * 64)
        interval = sys.getswitchinterval()
        sys.setswitchinterval(1e-6)  # so that threads meet between seek and read
        try:
            with ThreadPoolExecutor(4) as pool:
                for found in pool.map(lambda _: store.whole(0, 0), range(200)):
                    np.testing.assert_array_equal(found, a)
        finally:
            sys.setswitchinterval(interval)


def test_building_decodes_once_and_a_second_run_reuses(tmp_path: Path) -> None:
    a, b = noise(90, 70, np.uint8, 1), noise(90, 70, np.uint16, 2)
    frames = [written(tmp_path, "a b.png", a), written(tmp_path, "ü.png", b)]
    scratch = tmp_path / "deep" / "scratch"
    with FrameStore(scratch, frames) as store:
        needed = store.bytes_needed()
        assert [store.build_one(i) for i in (1, 0)] == [False, False]
        assert store.bytes_needed() == 0
        assert store.digest(0) == hashlib.sha256(frames[0].file.read_bytes()).hexdigest()
        assert sum(file.stat().st_size for file in scratch.iterdir()) == needed
    with FrameStore(scratch, frames[::-1]) as again:
        assert [again.build_one(i) for i in (0, 1)] == [True, True]
        np.testing.assert_array_equal(again.whole(0, 0), b)
        np.testing.assert_array_equal(again.whole(1, 0), a)
    changed = written(tmp_path, "a b.png", 255 - a)  # same name, size and length may be: other content
    with FrameStore(scratch, [changed]) as other:
        assert other.build_one(0) is False
        np.testing.assert_array_equal(other.whole(0, 0), 255 - a)


def test_a_file_cut_short_in_scratch_is_made_again(tmp_path: Path) -> None:
    a = noise(90, 70, np.uint8)
    frame = written(tmp_path, "a.png", a)
    with FrameStore(tmp_path / "s", [frame]) as store:
        store.build_one(0)
    (file,) = (tmp_path / "s").iterdir()
    os.truncate(file, 100)
    with FrameStore(tmp_path / "s", [frame]) as store:
        assert store.build_one(0) is False
        np.testing.assert_array_equal(store.whole(0, 0), a)


def test_a_killed_run_leaves_nothing_under_the_final_name(tmp_path: Path) -> None:
    script = f"""
        import os, sys
        from pathlib import Path
        import numpy as np
        from belvedere.capture import tile_file
        whole = tile_file.tile_bands
        def one_then_die(pixels):
            for band in whole(pixels):
                yield band
                os._exit(9)
        tile_file.tile_bands = one_then_die
        tile_file.write_tile_file(Path({str(tmp_path)!r}) / "a.tiles", np.zeros((600, 600, 3), np.uint8))
    """
    assert subprocess.run([sys.executable, "-c", textwrap.dedent(script)], check=False).returncode == 9
    assert not (tmp_path / "a.tiles").exists()
    (left,) = tmp_path.iterdir()
    assert left.suffix == ".part"
    FrameStore(tmp_path, [])
    assert left.exists()  # another run may be writing it
    os.utime(left, (0, 0))
    FrameStore(tmp_path, [])
    assert not left.exists()


def test_a_full_disk_is_said_before_writing_and_while_writing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    a = noise(90, 70, np.uint8)
    frame = written(tmp_path, "a.png", a)
    store = FrameStore(tmp_path / "s", [frame])
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(tile_file.shutil, "disk_usage", lambda _: usage._replace(free=1000))
    for act in (store.check_space, lambda: store.build_one(0)):
        with pytest.raises(OutputFailed, match=r"needs 0\.00 GB.*free some space"):
            act()
    monkeypatch.setattr(tile_file.shutil, "disk_usage", lambda _: usage)

    def full(pixels: NDArray[np.uint8]) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(tile_file, "tile_bands", full)
    with pytest.raises(OutputFailed, match="is full: free some space"):
        store.build_one(0)
    assert not list((tmp_path / "s").iterdir())
    with pytest.raises(ValueError, match="not in the store yet"):
        store.window(0, 0, 0, 0, 5, 5)


def test_a_scratch_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputFailed, match="cannot be made"):
        FrameStore(tmp_path / "file" / "scratch", [])


def test_a_frame_that_is_not_as_its_header_said(tmp_path: Path) -> None:
    a = noise(90, 70, np.uint8)
    store = FrameStore(tmp_path, [frame_of(Path("a.png"), a)])
    for wrong in (a[:-1], a.astype(np.uint16)):
        with pytest.raises(UnreadableFile, match=r"a\.png: decodes to"):
            store.add(0, wrong, "a" * 64)


def test_digest_is_sha256(tmp_path: Path) -> None:
    file = tmp_path / "abc"
    file.write_bytes(b"abc")
    # FIPS 180-4's example "abc" (NIST, Examples with Intermediate Values, SHA-256).
    assert file_sha256(file) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    with pytest.raises(UnreadableFile, match="cannot be read"):
        file_sha256(tmp_path / "none")


def peak_growth(act: Callable[[], None]) -> int:
    """Largest growth of resident memory while `act` runs, bytes, sampled from another thread."""
    import psutil

    process, done = psutil.Process(), threading.Event()
    base = peak = process.memory_info().rss

    def sample() -> None:
        nonlocal peak
        while not done.wait(0.001):
            peak = max(peak, process.memory_info().rss)

    thread = threading.Thread(target=sample)
    thread.start()
    try:
        act()
    finally:
        done.set()
        thread.join()
    return peak - base


def test_bringing_in_a_frame_takes_at_most_three_times_its_size(tmp_path: Path) -> None:
    smooth = cv2.resize(noise(60, 40, np.uint8), (3600, 2400), interpolation=cv2.INTER_CUBIC)
    frame = written(tmp_path, "a.jpg", smooth)
    size = smooth.nbytes
    del smooth
    store = FrameStore(tmp_path / "s", [frame])

    def build() -> None:
        store.build_one(0)

    assert peak_growth(build) <= 3 * size
