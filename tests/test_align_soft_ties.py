"""Soft texture measured patch by patch: where it is, and how surely."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from belvedere.align.patch_match import match_patch
from belvedere.align.soft_ties import measure_softly
from belvedere.capture.frame_source import FramesInMemory
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import matrix_from_vector, quaternion_from_matrix

HALF = 24
LEVEL = np.eye(2)


def soft(seed: int, size: int = 400, blur: float = 4.0, contrast: float = 12.0) -> NDArray[np.float32]:
    """Soft texture about 128, `contrast` codes RMS."""
    rough = np.random.default_rng(seed).standard_normal((size, size)).astype(np.float32)
    smooth = cv2.GaussianBlur(rough, (0, 0), blur)
    return np.asarray(128.0 + smooth / smooth.std() * contrast, np.float32)


def cut(image: NDArray[np.float32], x: float, y: float, half: int) -> NDArray[np.float32]:
    size = (2 * half + 1, 2 * half + 1)
    return np.asarray(cv2.getRectSubPix(image, size, (x, y)), np.float32)


def shift_found(
    image: NDArray[np.float32], seed: int, *, noise: float = 0.0, slope: float = 0.0
) -> tuple[float, float, float, float]:
    """One patch of the image sought where it is off by (0.3, -0.2) px, with noise, and a slope in b."""
    random = np.random.default_rng(seed)
    x, y = random.uniform(80, 320, 2)
    a, b = cut(image, x, y, HALF), cut(image, x + 0.3, y - 0.2, HALF + 12)
    a = a + noise * random.standard_normal(a.shape).astype(np.float32)
    b = b + noise * random.standard_normal(b.shape).astype(np.float32)
    b = b + slope * np.arange(len(b), dtype=np.float32)
    return match_patch(a, b, HALF + 12.0, HALF + 12.0, LEVEL, 3)


def test_stated_sigma_is_that_of_the_errors_where_noise_outweighs_texture() -> None:
    errors, sigmas = [], []
    for seed in range(150):
        dx, dy, likeness, sigma = shift_found(soft(seed % 10), seed, noise=3.0)
        if likeness >= 0.6:
            errors.append((dx + 0.3, dy - 0.2))
            sigmas.append(sigma)
    assert len(errors) > 60
    z = np.asarray(errors) / np.asarray(sigmas)[:, None]
    assert 0.8 < float(np.median(np.abs(z))) / 0.6745 < 1.25


def test_brightness_that_slopes_is_not_taken_for_a_shift() -> None:
    for seed in range(8):
        dx, dy, likeness, _ = shift_found(soft(seed, blur=8.0), seed, slope=0.15)
        assert likeness > 0.99
        assert abs(dx + 0.3) < 0.03
        assert abs(dy - 0.2) < 0.03


def test_noise_alone_is_no_detail() -> None:
    flat = np.full((400, 400), 128.0, np.float32)
    found = [shift_found(flat, seed, noise=3.0)[2] for seed in range(20)]
    assert max(found) < 0.6


@pytest.mark.parametrize("megapixels", [1.5, 24.0])
def test_a_soft_overlap_gives_many_ties_all_over_it(megapixels: float) -> None:
    width = round((megapixels * 1e6 / 1.5) ** 0.5)
    height = round(width * 1.5)
    sky = cv2.resize(soft(1, 500, blur=3.0), (2 * width, height), interpolation=cv2.INTER_CUBIC)
    shift, focal = round(0.6 * width), 40.0 * width  # so long a lens that the turn is a shift
    random = np.random.default_rng(7)
    frames = [
        np.clip(
            sky[:, x : x + width, None] + 1.5 * random.standard_normal((height, width, 1)).astype(np.float32),
            0,
            255,
        ).astype(np.uint8)
        for x in (0, shift)
    ]
    frames = [np.repeat(frame, 3, axis=2) for frame in frames]
    angle = np.arctan(shift / focal)
    centre = ((width - 1) / 2.0, (height - 1) / 2.0)
    known, off = (
        Camera(
            width=width,
            height=height,
            focal_px=focal,
            principal_point=centre,
            distortion=(0.0, 0.0, 0.0),
            rotation_wxyz=quaternion_from_matrix(matrix_from_vector(np.array([0.0, -turn, 0.0]))),
        )
        for turn in (0.0, angle + 2.5 / focal)
    )
    measured = measure_softly(FramesInMemory(frames), (0, 1), (known, off))
    assert len(measured.a) >= 60
    error = measured.b - (measured.a - np.array([shift, 0.0]))
    z = error / measured.sigma[:, None]
    assert float(np.median(np.abs(z))) < 1.0
    assert np.abs(np.median(error, axis=0)).max() < 0.1 * max(1.0, megapixels / 6.0)
    high = measured.a[:, 1]
    assert high.min() < 0.2 * height
    assert high.max() > 0.8 * height


def test_where_there_is_nothing_nothing_is_found() -> None:
    random = np.random.default_rng(3)
    plain = [
        np.clip(128.0 + 2.0 * random.standard_normal((900, 600, 3)), 0, 255).astype(np.uint8)
        for _ in range(2)
    ]
    camera = Camera(600, 900, 3000.0, (299.5, 449.5), (0.0, 0.0, 0.0), (1.0, 0.0, 0.0, 0.0))
    assert len(measure_softly(FramesInMemory(plain), (0, 1), (camera, camera)).a) == 0
