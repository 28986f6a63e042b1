"""A set to be shot: body, lens, places to look, and what goes wrong on the way."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from belvedere.demo.faults import Fault
from belvedere.demo.place import Place


@dataclass(frozen=True, slots=True)
class SimulatedBody:
    """A camera body of an invented maker.

    Parameters
    ----------
    make, model, serial : str
        As written to Exif.
    sensor_mm : tuple of 2 float
        Width and height of the sensor as it lies in the body, mm.
    contrast : float
        Strength of the S-curve on top of sRGB (`exposing.encode`), 0 to 0.8; 0 is plain sRGB.
    full_well : float
        Electrons at full scale; 0: no noise.
    read_noise : float
        Electrons, one sigma.
    hot_per_megapixel, dead_per_megapixel : float
        Places of the sensor a million px that gather dark current, that give no signal; in raw files alone.
    clock_s : float or None
        How far its clock is ahead, s; None: it has no clock, no tag tells a time.
    thumbnail : bool
        Embed an Exif thumbnail.
    preview_px : int
        Long side of a preview picture embedded besides (CIPA DC-007); 0, or not less than the frame's: none.
    """

    make: str = "Quenlith"
    model: str = "Quenlith Q24"
    serial: str = "0417"
    sensor_mm: tuple[float, float] = (36.0, 24.0)
    contrast: float = 0.0
    full_well: float = 40000.0
    read_noise: float = 8.0
    hot_per_megapixel: float = 0.0
    dead_per_megapixel: float = 0.0
    clock_s: float | None = 0.0
    thumbnail: bool = True
    preview_px: int = 0


@dataclass(frozen=True, slots=True)
class SimulatedLens:
    """A lens of an invented maker.

    Parameters
    ----------
    model : str
        As written to Exif.
    distortion : tuple of 3 float
        (k1, k2, k3) of radial3.
    principal_offset_mm : tuple of 2 float
        Principal point minus the sensor's centre, along stored width and height, mm.
    vignetting : tuple of 3 float
        (a1, a2, a3).
    """

    model: str = "Ilvane 50 mm f/2"
    distortion: tuple[float, float, float] = (-0.06, 0.0, 0.0)
    principal_offset_mm: tuple[float, float] = (0.06, -0.045)
    vignetting: tuple[float, float, float] = (-0.32, 0.06, -0.02)


@dataclass(frozen=True, slots=True)
class ShootingOrder:
    """In which order the poses of a grid are shot.

    Parameters
    ----------
    rows : "down" or "up"
        From the top row to the bottom row, or the other way.
    columns : "right" or "left"
        From left to right, or the other way.
    serpentine : bool
        Every second row runs back.
    """

    rows: Literal["down", "up"] = "down"
    columns: Literal["right", "left"] = "right"
    serpentine: bool = False

    def cells(self, rows: int, columns: int) -> tuple[tuple[int, int], ...]:
        """(row, column) of every pose in the order shot; row 0 is on top, column 0 left."""
        out: list[tuple[int, int]] = []
        for turn, row in enumerate(range(rows) if self.rows == "down" else reversed(range(rows))):
            back = (self.columns == "left") != (self.serpentine and turn % 2 == 1)
            out += [(row, c) for c in (reversed(range(columns)) if back else range(columns))]
        return tuple(out)


@dataclass(frozen=True, slots=True)
class SetSpec:
    """Everything that makes a set; `demo.render` shoots it. All defaults together are one easy row.

    Parameters
    ----------
    name : str
        Name of the set.
    rows, columns : int
        Size of the grid, row 0 on top, column 0 left.
    focal_mm : float
        True focal length, mm.
    tagged_focal_mm : float or None
        What Exif claims; None: the truth.
    megapixels : float
        Million pixels a frame.
    orientations : tuple of int
        Exif Orientation of frame 0, 1, ... in turn; 6 and 8 are upright frames.
    overlap, row_overlap : float
        Share of a frame that its neighbour in the row, in the next row, shows too.
    step_deg, row_step_deg : float or None
        Turn between columns, between rows; None: from the overlaps.
    yaw_deg, pitch_deg : float
        Middle of the grid.
    order : ShootingOrder
        In which order the poses are shot; whatever is given by index counts in it.
    tilt_drift_deg : float
        How much higher the last column looks than the first: a head that gives way along the row.
    full_turn : bool
        Columns go once around evenly; `overlap` and `step_deg` then say nothing.
    scatter_deg : float
        Standard deviation of every frame's yaw and pitch about the grid; roll a half of it.
    tilt_deg, tilt_azimuth_deg : float
        How far the pan axis leans off the vertical, and towards which yaw.
    pupil_offset_mm : float
        Entrance pupil before the pan axis, mm: parallax against near ground.
    exposure_ev : tuple of float
        Stops set on the camera per frame, told in Exif; shorter than the set: repeated.
    bracket_ev : tuple of float
        Stops of the exposures made of every pose, one after the other, told in Exif.
    drift_ev : tuple of float
        Stops per frame that no tag tells; repeated likewise.
    white_balance_sigma : float
        Scatter of the frames' red and blue gain.
    brightness : float
        Code-linear value of light 1 at 0 EV; above 1 bright sky clips.
    faults : tuple of Fault
        What goes wrong in single frames.
    white_balance_auto, exposure_auto : bool or None
        What Exif tells of WhiteBalance and ExposureMode; None: nothing.
    subject_distance_m : float or None
        What Exif tells of SubjectDistance; None: nothing.
    started_s : float
        When the first frame is shot, s after the demo's first moment.
    seconds_per_frame : float
        Time from pose to pose.
    row_pause_s : float
        Time that passes from row to row besides.
    cloud_drift : tuple of 2 float
        Movement of the cloud sheet per second.
    walkers : int
        How many people walk through.
    omit : tuple of (row, column)
        Frames that were not shot.
    stray : int or None
        Index of a frame that shows another place.
    body, lens, place
        What it is shot with, and where.
    raw : "none", "dng" or "both"
        Whether a frame is written as a raw file, alone or beside its JPEG.
    bits : 8 or 16
        8: JPEG; 16: TIFF.
    quality : int
        JPEG quality.
    subsampling : "444" or "420"
        JPEG chroma.
    profile : bool
        Embed an sRGB ICC profile.
    exif : bool
        Write Exif at all (else only what the format itself needs: frames are then stored as displayed).
    seed : int
        Scatter, noise and walkers follow from it; the place has its own.
    """

    name: str = "row"
    rows: int = 1
    columns: int = 7
    focal_mm: float = 50.0
    tagged_focal_mm: float | None = None
    megapixels: float = 24.0
    orientations: tuple[int, ...] = (8,)
    overlap: float = 1.0 / 3.0
    row_overlap: float = 1.0 / 3.0
    step_deg: float | None = None
    row_step_deg: float | None = None
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    order: ShootingOrder = field(default_factory=ShootingOrder)
    tilt_drift_deg: float = 0.0
    full_turn: bool = False
    scatter_deg: float = 0.25
    tilt_deg: float = 3.0
    tilt_azimuth_deg: float = 40.0
    pupil_offset_mm: float = 0.0
    exposure_ev: tuple[float, ...] = (0.0,)
    bracket_ev: tuple[float, ...] = (0.0,)
    drift_ev: tuple[float, ...] = (0.0,)
    white_balance_sigma: float = 0.0
    brightness: float = 0.88
    faults: tuple[Fault, ...] = ()
    white_balance_auto: bool | None = False
    exposure_auto: bool | None = False
    subject_distance_m: float | None = None
    started_s: float = 0.0
    seconds_per_frame: float = 4.0
    row_pause_s: float = 0.0
    cloud_drift: tuple[float, float] = (0.0, 0.0)
    walkers: int = 0
    omit: tuple[tuple[int, int], ...] = ()
    stray: int | None = None
    body: SimulatedBody = field(default_factory=SimulatedBody)
    lens: SimulatedLens = field(default_factory=SimulatedLens)
    place: Place = field(default_factory=Place)
    raw: Literal["none", "dng", "both"] = "none"
    bits: Literal[8, 16] = 8
    quality: int = 95
    subsampling: Literal["444", "420"] = "444"
    profile: bool = False
    exif: bool = True
    seed: int = 0

    @property
    def stored_size(self) -> tuple[int, int]:
        """Width and height in px as stored (even numbers)."""
        aspect = self.body.sensor_mm[0] / self.body.sensor_mm[1]
        width = 2 * round((self.megapixels * 1e6 * aspect) ** 0.5 / 2.0)
        return width, 2 * round(width / aspect / 2.0)

    @property
    def focal_px(self) -> float:
        """True focal length in px."""
        return self.focal_mm / self.body.sensor_mm[0] * self.stored_size[0]
