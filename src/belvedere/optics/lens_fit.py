"""A lens drawn by other formulas, in this program's terms: radial distortion and fall-off of light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class RadialFit:
    """Distortion by radial3, as it moves the frame's corner.

    Parameters
    ----------
    focal_factor : float
        What the focal length is times the nominal one.
    corner : tuple of 3 float
        k1 x^2, k2 x^4, k3 x^6 where the corner lies: displacements as shares of its ideal radius.
    residual : float
        Largest distance between the two drawings within the frame, as a share of the half diagonal.
    """

    focal_factor: float
    corner: tuple[float, float, float]
    residual: float

    def distortion(self, corner: float) -> tuple[float, float, float]:
        """(k1, k2, k3) for a half diagonal of `corner`, in focal lengths."""
        a, b, c = self.corner
        return a / corner**2, b / corner**4, c / corner**6


@dataclass(frozen=True, slots=True)
class FallFit:
    """Vignetting 1 + a1 q + a2 q^2 + a3 q^3, q = (radius / half diagonal)^2.

    Parameters
    ----------
    coefficients : tuple of 3 float
    residual : float
        Largest difference of relative illumination within the frame.
    """

    coefficients: tuple[float, float, float]
    residual: float


def fit_radial(ideal: NDArray[np.float64], drawn: NDArray[np.float64]) -> RadialFit:
    """Fit radial3 to where a lens draws what an ideal one would.

    Parameters
    ----------
    ideal, drawn : ndarray of shape (n,)
        Radii of the ideal lens of nominal focal length and of the lens itself, in half diagonals, from near 0
        to the corner: at least 8.

    Returns
    -------
    RadialFit
        By least squares over the frame's radii; the even powers in drawn = f x (1 + k1 x^2 + ...) are
        linear in the unknowns once f is taken out of the brackets.

    Raises
    ------
    ValueError
        If there are fewer than 8 radii, or the drawing turns back within the frame.
    """
    if ideal.size < 8 or ideal.shape != drawn.shape:
        raise ValueError("expected 8 or more radii, as many drawn as ideal")
    if (np.diff(drawn[np.argsort(ideal, kind="stable")]) <= 0.0).any():
        raise ValueError("expected a drawing that grows with the radius")
    powers = np.stack([ideal, ideal**3, ideal**5, ideal**7], axis=1)
    found = np.linalg.lstsq(powers, drawn, rcond=None)[0]
    focal = float(found[0])
    if focal <= 0.0:
        raise ValueError("expected a focal length above 0")
    a, b, c = (float(v) / focal for v in found[1:])
    # `ideal` is in half diagonals at the nominal focal length; the same direction, so the same x
    residual = float(np.max(np.abs(powers @ found - drawn)))
    return RadialFit(focal, (a, b, c), residual)


def fit_fall(radius: NDArray[np.float64], illumination: NDArray[np.float64]) -> FallFit:
    """Fit vignetting to relative illumination at some radii, in half diagonals: at least 6.

    Raises
    ------
    ValueError
        If there are fewer than 6 radii, or no light at one.
    """
    if radius.size < 6 or radius.shape != illumination.shape:
        raise ValueError("expected 6 or more radii, each with its light")
    if not (illumination > 0.0).all():
        raise ValueError("expected light everywhere")
    q = radius**2
    powers = np.stack([q, q**2, q**3], axis=1)
    found = np.linalg.lstsq(powers, illumination - 1.0, rcond=None)[0]
    a1, a2, a3 = (float(v) for v in found)
    return FallFit((a1, a2, a3), float(np.max(np.abs(powers @ found - (illumination - 1.0)))))
