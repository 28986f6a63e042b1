"""All that the pixels of a picture depend on, as one value that can be rendered anywhere."""

from __future__ import annotations

import numpy as np

from belvedere.align.alignment import Alignment
from belvedere.capture.frame_source import FrameSource
from belvedere.compose.blend import blend_levels, render_tile
from belvedere.compose.light import FrameLight, frame_light
from belvedere.compose.owners_at import owners_at
from belvedere.compose.piece import Piece
from belvedere.compose.seams import Seams
from belvedere.geometry.camera import Camera
from belvedere.geometry.plate import Plate
from belvedere.tone.tone import Tone


class Scene:
    """All that the pixels of a picture depend on. Can be sent to another process that sees the frames' store.

    Parameters
    ----------
    source : FrameSource
        Pixels of the whole set.
    alignment, tone, plate, seams
        Results of the stages; the seams' labels index the used frames.
    neutral : tuple of 3 float, or None
        In scene light: the set's white.
    """

    def __init__(
        self,
        source: FrameSource,
        alignment: Alignment,
        tone: Tone,
        plate: Plate,
        seams: Seams,
        neutral: tuple[float, float, float] | None = None,
    ) -> None:
        self._made_of = (source, alignment, tone, plate, seams, neutral)
        self.source = source
        self.plate = plate
        self.cameras = [placed.camera for placed in alignment.frames]
        self.lights = lights(alignment, tone, neutral)
        self.levels = blend_levels(plate, self.cameras)
        numbers = np.array(alignment.used, dtype=np.int16)
        self._owners_at = owners_at(seams, plate, used_cameras(alignment), numbers)

    def render(self, x0: int, y0: int, width: int, height: int, base_level: int = 0) -> Piece:
        """A rectangle of the picture; see `compose.blend.render_tile`."""
        return render_tile(
            self.source,
            self.cameras,
            self.lights,
            self.plate,
            self._owners_at,
            self.levels,
            x0,
            y0,
            width,
            height,
            base_level=base_level,
        )


def used_cameras(alignment: Alignment) -> list[Camera]:
    """Cameras of the used frames, in order."""
    return [placed.camera for placed in alignment.frames if placed.camera is not None]


def lights(
    alignment: Alignment, tone: Tone, neutral: tuple[float, float, float] | None = None
) -> list[FrameLight | None]:
    """Light of every frame of the set, `neutral` white in scene light; None where a frame is not used."""
    return [
        frame_light(tone, placed.camera, i, neutral) if placed.camera is not None else None
        for i, placed in enumerate(alignment.frames)
    ]
