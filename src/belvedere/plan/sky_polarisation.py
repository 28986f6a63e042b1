"""How strongly the clear sky in a field is polarised: what a polariser would darken unevenly."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from belvedere.plan.view import View

# Wider fields show the sky's dark band through a polariser: common practice, no published source.
WIDE_FOR_A_POLARISER = math.radians(60.0)


@dataclass(frozen=True, slots=True)
class SkyPolarisation:
    """Polarisation of the clear sky over a field, by single scattering.

    Parameters
    ----------
    least, most : float
        Degree of polarisation, 0 .. 1, over the field's part above the horizon. Real air stays below it.
    band_yaws : tuple of float
        Yaws within the field at which the horizon lies 90 degrees from the sun: where the dark band stands.
    span : float
        Width of the field, radians.
    """

    least: float
    most: float
    band_yaws: tuple[float, ...]
    span: float

    @property
    def is_uneven(self) -> bool:
        """Whether a polariser would show: a wide field, or one that goes from weak to strong polarisation."""
        return self.span > WIDE_FOR_A_POLARISER or self.most - self.least > 0.5


def degree_of_polarisation(angle_from_sun: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Degree of polarisation, 0 .. 1, of light that air scattered once: sin^2 / (1 + cos^2) of the angle.

    Parameters
    ----------
    angle_from_sun : ndarray or float
        From the sun, radians.

    References
    ----------
    K. L. Coulson, Polarization and Intensity of Light in the Atmosphere (1988), Rayleigh scattering;
    also M. Born, E. Wolf, Principles of Optics (both cited from memory).
    """
    angle = np.asarray(angle_from_sun, dtype=np.float64)
    return np.asarray(np.sin(angle) ** 2 / (1.0 + np.cos(angle) ** 2))


def polarisation_over_view(view: View, sun_yaw: float, sun_pitch: float) -> SkyPolarisation | None:
    """Compute how polarised the clear sky of a view is, from points a degree apart; None without sky in it.

    Parameters
    ----------
    sun_yaw, sun_pitch : float
        The sun in the view's world, radians.
    """
    low, high = max(0.0, view.pitch_low), view.pitch_high
    if high <= 0.0:
        return None
    width = view.wide
    degree = math.radians(1.0)
    yaws = np.linspace(view.yaw_left, view.yaw_right, 2 + math.ceil(width / degree))
    pitches = np.linspace(low, high, 2 + math.ceil((high - low) / degree))[:, None]
    cosine = math.sin(sun_pitch) * np.sin(pitches) + math.cos(sun_pitch) * np.cos(pitches) * np.cos(
        yaws - sun_yaw
    )
    degrees = degree_of_polarisation(np.arccos(np.clip(cosine, -1.0, 1.0)))
    middle = view.yaw
    band = []
    for side in (-math.pi / 2, math.pi / 2):
        # On the horizon cos(angle) = cos(sun pitch) cos(yaw - sun yaw): 0 at 90 degrees on either side.
        away = math.remainder(sun_yaw + side - middle, 2 * math.pi)
        if abs(away) <= width / 2:
            band.append(middle + away)
    return SkyPolarisation(float(degrees.min()), float(degrees.max()), tuple(sorted(band)), width)


def polariser_words(sky: SkyPolarisation) -> str | None:
    """Say what a polariser would do to the sky of this field; None where it would hardly show."""
    if not sky.is_uneven:
        return None
    where = "a dark band" if sky.band_yaws else "a sky that darkens to one side"
    return (
        f"Leave the polariser off: over {math.degrees(sky.span):.0f} degrees of width the clear sky is "
        f"polarised between {sky.least * 100:.0f} and {sky.most * 100:.0f} %, "
        f"and the picture would show {where}."
    )
