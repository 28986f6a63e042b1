"""What is kept of a frame once its pixels are gone: few features, how it looks, how bright it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from belvedere.align.features import Features, detect
from belvedere.capture.frame import Exposure, Metadata
from belvedere.capture.glance import Glance, embedded_look, reduced_look
from belvedere.survey.appearance.even_ground import is_even_ground
from belvedere.survey.appearance.marker_look import MarkerLook, marker_look
from belvedere.survey.appearance.small_frame import small_frame

Depth = Literal["embedded", "reduced", "close"]
"""How closely a frame is looked at: the picture it carries, a reduced decode, a larger one for few frames."""

LONG_SIDE_PX: dict[Depth, int] = {"reduced": 704, "close": 960}
"""Long side of the reduced decodes."""

_PIXELS: dict[Depth, int] = {"embedded": 320_000, "reduced": 320_000, "close": 600_000}
_FEATURES: dict[Depth, int] = {"embedded": 320, "reduced": 320, "close": 1500}
_NOT_JUDGED = MarkerLook("scene", 0.0, "")  # a close look only serves to find overlap
_CODES = 512.0  # of a RootSIFT component: hardly one is above 1/2
_ENOUGH_PX = 560  # long side from which an embedded picture is as good as a reduced decode


@dataclass(frozen=True, slots=True)
class Look:
    """What is kept of a frame.

    Parameters
    ----------
    points : ndarray of shape (n, 2), float32
        Features' positions in px of the full frame as displayed.
    codes : ndarray of shape (n, 128), uint8
        Their RootSIFT descriptors times 512.
    pixel : float
        Size of a pixel of the small picture in px of the full frame.
    enough : bool
        Whether the small picture was large enough to judge overlap by; a thumbnail is not.
    marker : MarkerLook
        What the frame looks like by itself; a close look does not tell.
    brightness : float
        Mean code, 0 to 1.
    ground : bool
        Whether it shows one texture all over, as the ground does; a close look does not tell.
    """

    points: NDArray[np.float32]
    codes: NDArray[np.uint8]
    pixel: float
    enough: bool
    marker: MarkerLook
    brightness: float
    ground: bool = False

    def features(self) -> Features:
        """The features with descriptors of unit length again."""
        descriptors = self.codes.astype(np.float32)
        descriptors /= np.maximum(np.linalg.norm(descriptors, axis=1, keepdims=True), 1e-9)
        order = np.arange(len(self.points), dtype=np.int64)
        return Features(self.points.astype(np.float64), descriptors, order, self.pixel)


def glance_at(exposure: Exposure, depth: Depth) -> Glance | None:
    """The small picture for a look; None where the frame carries none and that was asked for.

    Raises
    ------
    UnreadableFile
        If the file cannot be decoded.
    """
    if depth == "embedded":
        return embedded_look(exposure)
    return reduced_look(exposure, long_side=LONG_SIDE_PX[depth])


def look_at(glance: Glance, metadata: Metadata, depth: Depth) -> Look:
    """Keep what sorting needs of a small picture of a frame.

    Parameters
    ----------
    glance : Glance
        The small picture, as displayed.
    metadata : Metadata
        Of the frame, whose displayed size the positions are given in.
    depth : "embedded", "reduced" or "close"
        How much to keep: about 50 kB, and five times that for "close".
    """
    image = glance.image
    grey = np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY))
    brightness = float(grey.mean()) / 255.0
    scale = (_PIXELS[depth] / grey.size) ** 0.5
    if scale < 0.9:
        size = (max(1, round(grey.shape[1] * scale)), max(1, round(grey.shape[0] * scale)))
        grey = np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA))
    found = detect(np.asarray(grey, dtype=np.uint8), (metadata.width, metadata.height), most=_FEATURES[depth])
    small = None if depth == "close" else small_frame(image)
    return Look(
        points=found.points.astype(np.float32),
        codes=np.clip(np.rint(found.descriptors * _CODES), 0, 255).astype(np.uint8),
        pixel=found.pixel,
        enough=glance.kind == "reduced" or max(image.shape[:2]) >= _ENOUGH_PX,
        marker=_NOT_JUDGED if small is None else marker_look(image, small=small),
        brightness=brightness,
        ground=small is not None and is_even_ground(small),
    )
