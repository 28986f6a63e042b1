"""Diffraction at the aperture: the Airy disc, and at which f-number it reaches the pixels."""

from __future__ import annotations

import math

from belvedere.errors import PlanError
from belvedere.optics.positive import need_positive

GREEN_MM = 550e-6
"""Wavelength in mm where the eye sees best by day, 555 nm, rounded as handbooks round it."""

FIRST_DARK_RING = 3.8317059702075125 / math.pi
"""Radius of the Airy disc in units of wavelength times f-number: the first zero of J1 over pi, 1.22."""


def airy_diameter_mm(f_number: float, wavelength_mm: float = GREEN_MM) -> float:
    """Diameter in mm of the Airy disc, to its first dark ring: 2.44 lambda N.

    Parameters
    ----------
    f_number : float
        N > 0; focused close, the working f-number (`close_focus.working_f_number`).
    wavelength_mm : float
        lambda > 0 in mm.

    Raises
    ------
    PlanError
        If a value is not above 0.

    References
    ----------
    E. Hecht, Optics, 4th ed. (2002), section 10.2.5, circular aperture: q1 = 1.22 f lambda / D (cited from
    memory).
    """
    need_positive("the f-number", f_number)
    return 2.0 * FIRST_DARK_RING * need_positive("the wavelength", wavelength_mm, "mm") * f_number


def airy_in_pixels(f_number: float, pixel_pitch_mm: float, wavelength_mm: float = GREEN_MM) -> float:
    """Diameter of the Airy disc in pixels; a PlanError if a value is not above 0."""
    return airy_diameter_mm(f_number, wavelength_mm) / need_positive("the pixel pitch", pixel_pitch_mm, "mm")


def f_number_for_airy(pixel_pitch_mm: float, pixels: float = 1.0, wavelength_mm: float = GREEN_MM) -> float:
    """f-number at which the Airy disc is `pixels` wide: the inverse of `airy_in_pixels`.

    At 1 pixel diffraction hardly shows; from about 2 on it does (common practice, no published source).

    Raises
    ------
    PlanError
        If a value is not above 0.
    """
    need_positive("the pixels", pixels)
    return pixels / airy_in_pixels(1.0, pixel_pitch_mm, wavelength_mm)


def diffraction_mtf(cycles_per_mm: float, f_number: float, wavelength_mm: float = GREEN_MM) -> float:
    """Contrast, 0 to 1, that a perfect lens leaves of a pattern.

    (2/pi) (acos v - v sqrt(1 - v^2)) with v = lambda N k, and 0 from v = 1 on.

    Parameters
    ----------
    cycles_per_mm : float
        Spatial frequency k >= 0 on the sensor.
    f_number, wavelength_mm : float
        As in `airy_diameter_mm`.

    Raises
    ------
    PlanError
        If a value is out of its range.

    References
    ----------
    J. W. Goodman, Introduction to Fourier Optics, 2nd ed. (1996), section 6.3.2, incoherent transfer function
    of a circular pupil (cited from memory).
    """
    need_positive("the f-number", f_number)
    need_positive("the wavelength", wavelength_mm, "mm")
    if not cycles_per_mm >= 0.0:
        raise PlanError(f"the frequency must be 0 or above, not {cycles_per_mm:g} cycles per mm")
    v = wavelength_mm * f_number * cycles_per_mm
    return 0.0 if v >= 1.0 else 2.0 / math.pi * (math.acos(v) - v * math.sqrt(1.0 - v * v))


def contrast_at_pixels(f_number: float, pixel_pitch_mm: float, wavelength_mm: float = GREEN_MM) -> float:
    """Contrast, 0 to 1, that diffraction leaves of the finest pattern the pixels can hold (2 pixels a cycle).

    Raises
    ------
    PlanError
        If a value is not above 0.
    """
    return diffraction_mtf(
        0.5 / need_positive("the pixel pitch", pixel_pitch_mm, "mm"), f_number, wavelength_mm
    )
