"""The block adjustment against truth, against numerical derivatives and against SciPy's least squares."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.optimize
from numpy.typing import NDArray

from belvedere.align.block import Block, Lens, LensPrior, Ties, _moved, adjust
from belvedere.align.block_normals import accumulate, residuals
from belvedere.geometry.camera import Camera
from belvedere.geometry.rotation import (
    matrix_from_vector,
    pose_matrix,
    quaternion_from_matrix,
    vector_from_matrix,
)

WIDTH, HEIGHT, FOCAL = 2000, 3000, 4200.0
CENTRE = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])


def _cameras(
    rng: np.random.Generator, rows: int, columns: int, distortion: tuple[float, float, float]
) -> list[Camera]:
    out = []
    for r in range(rows):
        for c in range(columns):
            pose = pose_matrix(
                0.3 * c + rng.normal(0, 0.01),
                0.45 * (rows - 1 - r) + rng.normal(0, 0.01),
                rng.normal(0, 0.01),
            )
            out.append(
                Camera(
                    WIDTH,
                    HEIGHT,
                    FOCAL,
                    (float(CENTRE[0] + 7), float(CENTRE[1] - 11)),
                    distortion,
                    quaternion_from_matrix(pose.T),
                )
            )
    return out


def _ties(rng: np.random.Generator, cameras: list[Camera], noise: float, wrong: float = 0.0) -> Ties:
    pairs, points, start = [], [], [0]
    for i in range(len(cameras)):
        for j in range(i + 1, len(cameras)):
            u = rng.uniform([0, 0], [WIDTH - 1, HEIGHT - 1], (150, 2))
            v, seen = cameras[j].project(cameras[i].rays(u))
            if seen.sum() < 15:
                continue
            u, v = u[seen], v[seen]
            u = u + rng.normal(0, noise, u.shape)
            v = v + rng.normal(0, noise, v.shape)
            bad = rng.random(len(u)) < wrong
            v[bad] += rng.normal(0, 40, (int(bad.sum()), 2))
            pairs.append((i, j))
            points.append(np.hstack([u - CENTRE, v - CENTRE]))
            start.append(start[-1] + len(u))
    return Ties(
        np.array(pairs),
        np.array(start),
        np.concatenate(points),
        np.full(start[-1], max(noise, 0.01) * 2**0.5),
    )


def _start(
    rng: np.random.Generator, cameras: list[Camera], turn: float = 0.004, focal: float = 1.02
) -> Block:
    rotations = np.stack([matrix_from_vector(rng.normal(0, turn, 3)) @ c.rotation for c in cameras])
    rotations[0] = cameras[0].rotation
    lens = Lens(FOCAL * focal, (0.0, 0.0), (0.0, 0.0, 0.0), float(np.hypot(WIDTH, HEIGHT)) / 2 / FOCAL)
    n = len(cameras)
    return Block(rotations, (lens,), np.zeros(n, dtype=np.int64), np.tile(np.eye(2), (n, 1, 1)))


def _residuals(block: Block, ties: Ties) -> NDArray[np.float64]:
    return residuals(
        block.rotations, block.lens_table(), block.lens_of, block.axes, ties.pairs, ties.start, ties.points
    )


def test_truth_comes_back_through_outliers() -> None:
    rng = np.random.default_rng(3)
    cameras = _cameras(rng, 2, 4, (-0.06, 0.02, 0.0))
    solved = adjust(_start(rng, cameras), _ties(rng, cameras, 0.1, wrong=0.15), [LensPrior(FOCAL)])
    lens = solved.block.lenses[0]
    assert lens.focal_px == pytest.approx(FOCAL, rel=2e-4)
    assert lens.offset == pytest.approx((7.0, -11.0), abs=1.5)
    r = np.linspace(0, 0.42, 30)
    found = (
        FOCAL * r * (1 + lens.distortion[0] * r**2 + lens.distortion[1] * r**4 + lens.distortion[2] * r**6)
    )
    true = FOCAL * r * (1 - 0.06 * r**2 + 0.02 * r**4)
    assert np.abs(found * FOCAL / lens.focal_px - true).max() < 1.0
    for k, camera in enumerate(cameras):
        error = solved.block.rotations[k] @ camera.rotation.T
        assert (
            np.linalg.norm(vector_from_matrix(error)) * FOCAL < 3.0
        )  # the principal point may tilt all alike


def test_gradient_matches_finite_differences() -> None:
    rng = np.random.default_rng(4)
    cameras = _cameras(rng, 2, 2, (-0.06, 0.02, 0.01))
    block, ties = _start(rng, cameras), _ties(rng, cameras, 0.2)
    block = _moved(block, np.concatenate([np.zeros(12), [0.0, 3.0, -2.0, -0.01, 0.004, 0.001]]))
    _, gradients, unknowns = accumulate(
        block.rotations,
        block.lens_table(),
        block.lens_of,
        block.axes,
        ties.pairs,
        ties.start,
        ties.points,
        np.ones(len(ties.points)),
    )
    size = 12 + 6
    gradient = np.bincount(unknowns.ravel(), weights=gradients.ravel(), minlength=size)

    def half_square(step: NDArray[np.float64]) -> float:
        return 0.5 * float((_residuals(_moved(block, step), ties) ** 2).sum())

    for k in range(size):
        h = 1e-2 if k in (13, 14) else 1e-6
        step = np.zeros(size)
        step[k] = h
        slope = (half_square(step) - half_square(-step)) / (2 * h)
        assert slope == pytest.approx(gradient[k], rel=2e-3, abs=2e-4 * np.abs(gradient).max())


def test_agrees_with_scipy_least_squares_on_the_same_problem() -> None:
    """Reference: scipy.optimize.least_squares (trf), no outliers, no robust loss."""
    rng = np.random.default_rng(5)
    cameras = _cameras(rng, 1, 4, (-0.05, 0.0, 0.0))
    ties = _ties(rng, cameras, 0.2)
    start = _start(rng, cameras)
    prior = LensPrior(FOCAL, 0.2, 10.0, (0.05, 0.02, 0.01))
    ours = adjust(start, ties, [prior], robust=1e6, steps=60)
    scale = 1.0

    def cost(x: NDArray[np.float64]) -> NDArray[np.float64]:
        block = _moved(start, np.concatenate([np.zeros(3), x]))
        e = (_residuals(block, ties) / ties.sigma[:, None] / scale).ravel()
        return np.concatenate([e, prior.pull(block.lenses[0])[0]])

    x0 = np.zeros(3 * 3 + 6)
    for _ in range(2):  # ours scales residuals by their robust sigma: use the same
        scale = float(np.median(np.hypot(*(_residuals(ours.block, ties) / ties.sigma[:, None]).T))) / 1.1774
        theirs = scipy.optimize.least_squares(cost, x0, x_scale="jac", xtol=1e-14, ftol=1e-14, gtol=1e-14)
    block = _moved(start, np.concatenate([np.zeros(3), theirs.x]))
    assert ours.block.lenses[0].focal_px == pytest.approx(block.lenses[0].focal_px, rel=2e-5)
    np.testing.assert_allclose(_residuals(ours.block, ties), _residuals(block, ties), atol=0.01)


def test_stated_sigma_of_the_focal_length_is_honest() -> None:
    errors = []
    for seed in range(24):
        rng = np.random.default_rng(100 + seed)
        cameras = _cameras(rng, 1, 4, (-0.03, 0.0, 0.0))
        ties = _ties(rng, cameras, 0.3)
        solved = adjust(_start(rng, cameras), ties, [LensPrior(FOCAL)], want_covariance=True)
        assert solved.covariance is not None
        k = 3 * len(cameras)
        sigma = np.sqrt(solved.covariance[k, k] * solved.variance_factor)
        errors.append(np.log(solved.block.lenses[0].focal_px / FOCAL) / sigma)
    assert 0.6 < float(np.sqrt(np.mean(np.square(errors)))) < 1.6


def test_large_blocks_are_solved_sparse_with_the_same_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(6)
    cameras = _cameras(rng, 2, 3, (-0.05, 0.0, 0.0))
    ties, start = _ties(rng, cameras, 0.2), _start(rng, cameras)
    dense = adjust(start, ties, [LensPrior(FOCAL)], want_covariance=True)
    monkeypatch.setattr("belvedere.align.block._DENSE_LIMIT", 5)
    monkeypatch.setattr("belvedere.align.block._COLUMNS", 7)
    sparse = adjust(start, ties, [LensPrior(FOCAL)], want_covariance=True)
    assert sparse.block.lenses[0].focal_px == pytest.approx(dense.block.lenses[0].focal_px, rel=1e-6)
    np.testing.assert_allclose(sparse.block.rotations, dense.block.rotations, atol=1e-5)
    assert dense.covariance is not None
    assert sparse.covariance is not None
    scale = np.sqrt(np.outer(np.diag(dense.covariance), np.diag(dense.covariance))) + 1e-30
    assert np.abs(sparse.covariance - dense.covariance).max() < 1e-3 * scale.max()
    assert (np.abs(sparse.covariance - dense.covariance) <= 2e-3 * scale).all()
