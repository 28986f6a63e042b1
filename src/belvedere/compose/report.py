"""The report beside every picture: schema `belvedere.report/1`, checked when written and when read.

Readers ignore keys they do not know. Keys with a default here may be missing from a file.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec

from belvedere.align.alignment import ON_REQUEST, LevelSource
from belvedere.compose.finished_file import finished_file
from belvedere.compose.report_faults import report_faults
from belvedere.errors import UnreadableFile
from belvedere.geometry.plate import Projection

SCHEMA = "belvedere.report/1"

Count = Annotated[int, msgspec.Meta(ge=0)]
Size = Annotated[int, msgspec.Meta(gt=0)]
NotNegative = Annotated[float, msgspec.Meta(ge=0.0)]
Positive = Annotated[float, msgspec.Meta(gt=0.0)]
Fraction = Annotated[float, msgspec.Meta(ge=0.0, le=1.0)]
Sha256 = Annotated[str, msgspec.Meta(pattern="^[0-9a-f]{64}$")]
Three = tuple[float, float, float]


class ExposureReport(msgspec.Struct, frozen=True, kw_only=True):
    """One file of a frame, as a path under the card with / between folders, and what was in it."""

    file: str
    sha256: Sha256


class MergeReport(msgspec.Struct, frozen=True, kw_only=True):
    """How a frame's exposures were merged.

    Parameters
    ----------
    exposure_ev : tuple of float
        What each of them took, EV above the frame's shortest, in their order; the frame's light is 1 at white
        of that one.
    moved_fraction : float
        Share of the frame that is taken from one exposure because things moved.
    shift_px, left_px : float
        How far the camera moved between exposures at most, and what whole px leave of it.
    photon_variance, read_variance : tuple of 3 float
        Variance of light y in the shortest exposure, white 1: photon y + read, in r, g, b.
    noise_measured : bool
        Whether the exposures told that; else a usual camera's is taken.
    """

    exposure_ev: tuple[float, ...]
    moved_fraction: Fraction = 0.0
    shift_px: NotNegative = 0.0
    left_px: NotNegative = 0.0
    photon_variance: Three
    read_variance: Three
    noise_measured: bool = True


class FrameReport(msgspec.Struct, frozen=True, kw_only=True):
    """One frame's outcome. Where it is not used, `reason` says why and the camera and tone are null.

    Parameters
    ----------
    file : str
        The frame's first file, as a path under the card.
    merge : MergeReport or None
        Of a frame of several exposures.
    row, column : int or None
        Place in the grid from 0; row 0 top, column 0 left; None where it has none.
    lens : int
        Index into `lenses`.
    width, height : int
        Size as displayed, px.
    focal_px, principal_point, distortion, rotation_wxyz
        The solved camera, for the frame as displayed: px; (cx, cy) px; (k1, k2, k3); world to camera, w >= 0.
    gain, white_balance, vignetting
        What the camera did to linear light: factor; factors (r, 1, b); (a1, a2, a3).
    placement_sigma_px : float or None
        RMS over the frame of the 1-sigma shift against the frames it overlaps, px.
    doubt : str or None
        A sentence where the frame is used and may be wrong.
    """

    file: str
    exposures: tuple[ExposureReport, ...]
    merge: MergeReport | None = None
    used: bool
    row: Count | None = None
    column: Count | None = None
    lens: Count
    width: Size
    height: Size
    focal_px: Positive | None = None
    principal_point: tuple[float, float] | None = None
    distortion: Three | None = None
    rotation_wxyz: tuple[float, float, float, float] | None = None
    gain: Positive | None = None
    white_balance: Three | None = None
    vignetting: Three | None = None
    placed_by: Literal["tie-points", "grid"] | None = None
    placement_sigma_px: NotNegative | None = None
    doubt: str | None = None
    reason: str | None = None


class LensReport(msgspec.Struct, frozen=True, kw_only=True):
    """One lens group: body, lens and focal length as tagged, principal point in sensor axes, px."""

    model: str
    body: str | None = None
    lens: str | None = None
    focal_mm: Positive | None = None
    principal_offset_sensor_px: tuple[float, float]


class PlateReport(msgspec.Struct, frozen=True, kw_only=True):
    """The sheet the picture is drawn on; `why` says in words why this projection was taken."""

    projection: Projection
    width: Size
    height: Size
    pixels_per_radian: Positive
    centre: tuple[float, float]
    yaw_pitch_roll_deg: Three
    d: NotNegative | None = None
    why: str | None = None


class LevelReport(msgspec.Struct, frozen=True, kw_only=True):
    """What says where gravity points, one sigma of the tilt in degrees, and the same in words."""

    source: LevelSource = msgspec.field(name="from")
    sigma_deg: NotNegative
    words: str | None = None


class ResponseReport(msgspec.Struct, frozen=True, kw_only=True):
    """Where the curve from codes to light comes from, and its estimated parameters, if any."""

    known_from: Literal["profile", "color-space", "overlaps"]
    curve: tuple[float, ...] = ()


class OverlapReport(msgspec.Struct, frozen=True, kw_only=True):
    """Frames a < b (indices into `frames`): overlap as a share of a, tie points, their RMS, the tone step."""

    a: Count
    b: Count
    overlap_fraction: Fraction
    tie_points: Count
    rms_px: NotNegative | None = None
    tone_step_ev: float | None = None


class QualityReport(msgspec.Struct, frozen=True, kw_only=True):
    """How well the frames agree: RMS over all tie points of used frames, px, and every overlap."""

    tie_point_rms_px: NotNegative | None = None
    overlaps: tuple[OverlapReport, ...] = ()


class HoleReport(msgspec.Struct, frozen=True, kw_only=True):
    """A place no frame shows: in the grid where it has one, in the world, and on the plate.

    `plate_rect` is [x0, y0, x1, y1] in plate px, x1 and y1 excluded.
    """

    row: Count | None = None
    column: Count | None = None
    yaw_deg: float
    pitch_deg: float
    plate_rect: tuple[int, int, int, int]


class CoverageReport(msgspec.Struct, frozen=True, kw_only=True):
    """Share of the plate that frames cover, and the holes inside it."""

    covered_fraction: Fraction
    holes: tuple[HoleReport, ...] = ()


class TimingReport(msgspec.Struct, frozen=True, kw_only=True):
    """Wall seconds by stage and the peak of resident memory of the process tree, MB (10^6 bytes)."""

    decode_s: NotNegative
    align_s: NotNegative
    tone_s: NotNegative
    compose_s: NotNegative
    write_s: NotNegative
    total_s: NotNegative
    peak_rss_mb: NotNegative


class SoftwareReport(msgspec.Struct, frozen=True, kw_only=True):
    """Belvedere's version, and the versions of the libraries that made the pixels."""

    version: str
    dependencies: dict[str, str] = {}


class CameraReport(msgspec.Struct, frozen=True, kw_only=True):
    """The camera whose colour a picture in scene light is in.

    Parameters
    ----------
    model : str
    neutral : tuple of 3 float
        Its response to the scene's white as shot, the largest 1.
    baseline_ev : float
        By how much its maker wants raw files brightened, EV.
    illuminants : tuple of int
        Numbers (CIPA DC-008, LightSource), one for each matrix.
    camera_from_xyz : tuple of 3 x 3
        What takes CIE XYZ to its colour under each.
    """

    model: str
    neutral: Three
    baseline_ev: float = 0.0
    illuminants: tuple[Count, ...] = ()
    camera_from_xyz: tuple[tuple[Three, Three, Three], ...] = ()


class PictureReport(msgspec.Struct, frozen=True, kw_only=True):
    """The file that was written: its name beside the report, bits a sample, print resolution, size on disk.

    `over_white_fraction` is the share of covered pixels with a channel brighter than the file can hold. Of a
    picture that holds light to be developed, `headroom` is the light that the largest code (or, in floating
    point, 1) stands for, in the frames' white level, and `camera` tells whose colour it is, where a camera's.
    `brightness_ev` is how much brighter than the frames' light it shows, or asks to be developed: frames of
    merged exposures are 1 at white of the shortest.
    """

    file: str
    kind: Literal["picture", "linear-tiff", "linear-dng"] = "picture"
    bits: Literal[8, 16, 32]
    pixels_per_inch: Positive = 300.0
    file_bytes: Count | None = None
    over_white_fraction: Fraction | None = None
    headroom: Positive | None = None
    brightness_ev: float = 0.0
    camera: CameraReport | None = None


class UnreadableReport(msgspec.Struct, frozen=True, kw_only=True):
    """A file among the sources that could not be used as a frame, and why, in words that follow its name."""

    file: str
    why: str


class WordReport(msgspec.Struct, frozen=True, kw_only=True):
    """The person's word that was heeded: the file's name, what was in it, and what it says, counted."""

    file: str
    sha256: Sha256
    words: str


class BlockReport(msgspec.Struct, frozen=True, kw_only=True):
    """Frames (indices) that hang together; `command` makes the block where this picture does not show it."""

    frames: tuple[Count, ...]
    command: str | None = None


class Report(msgspec.Struct, frozen=True, kw_only=True):
    """Everything there is to know of a picture: `belvedere.report/1`.

    `components` lists the blocks of frames that meet nowhere, the one that was made first. `unreadable` lists
    files that never became frames. `word` is the word file that was heeded, if there was one. `notices` are
    sentences for the person.
    """

    schema: Literal["belvedere.report/1"] = "belvedere.report/1"
    frames: tuple[FrameReport, ...]
    lenses: tuple[LensReport, ...]
    plate: PlateReport
    level: LevelReport
    response: ResponseReport
    quality: QualityReport
    coverage: CoverageReport
    invented: tuple[Any, ...] = ()
    timing: TimingReport
    software: SoftwareReport
    picture: PictureReport | None = None
    components: tuple[BlockReport, ...] = ()
    unreadable: tuple[UnreadableReport, ...] = ()
    word: WordReport | None = None
    notices: tuple[str, ...] = ()

    @property
    def used(self) -> tuple[int, ...]:
        """Indices of the used frames."""
        return tuple(i for i, f in enumerate(self.frames) if f.used)

    @property
    def left_out(self) -> tuple[int, ...]:
        """Indices of the frames that are not in the picture."""
        return tuple(i for i, f in enumerate(self.frames) if not f.used)

    @property
    def in_doubt(self) -> tuple[int, ...]:
        """Indices of the used frames that may be wrong."""
        return tuple(i for i, f in enumerate(self.frames) if f.used and f.doubt)

    @property
    def exit_code(self) -> Literal[0, 3]:
        """0 where all frames wanted are used and sure, 3 where something is left out, missing or in doubt."""
        missed = [i for i in self.left_out if self.frames[i].reason != ON_REQUEST]
        return 3 if missed or self.in_doubt or self.unreadable or self.coverage.holes else 0


def encode(report: Report) -> bytes:
    """The report as JSON (UTF-8, keys in schema order, two blanks of indent, a newline at the end).

    Raises
    ------
    ValueError
        If the report contradicts itself or holds a number that is not finite; names every fault.
    """
    found = list(report_faults(report))
    if found:
        raise ValueError("a report that contradicts itself: " + "; ".join(found))
    return msgspec.json.format(msgspec.json.encode(report), indent=2) + b"\n"


def decode(data: bytes, file: Path) -> Report:
    """Read a report from JSON; keys that are not known are ignored.

    Parameters
    ----------
    data : bytes
        The file's content.
    file : Path
        Where it came from, for the message.

    Raises
    ------
    UnreadableFile
        If it is no JSON, not this schema, or contradicts itself; names the place.
    """
    try:
        report = msgspec.json.decode(data, type=Report)
    except msgspec.ValidationError as error:
        raise UnreadableFile(file, f"is no report of the schema {SCHEMA}: {error}") from error
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise UnreadableFile(file, f"is no report, or is cut short: {error}") from error
    found = list(report_faults(report))
    if found:
        raise UnreadableFile(file, "is a report that contradicts itself: " + "; ".join(found))
    return report


def report_path(picture: Path) -> Path:
    """Where the report of a picture lies: OUT.report.json beside OUT.tif."""
    return picture.with_name(picture.stem + ".report.json")


def write_report(report: Report, path: Path) -> None:
    """Write the report to `path`, whole or not at all; raises OutputFailed."""
    data = encode(report)
    with finished_file(path) as file:
        file.write(data)


def read_report(path: Path) -> Report:
    """Read the report at `path`; raises UnreadableFile."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise UnreadableFile(path, f"could not be read ({error.strerror or error})") from error
    return decode(data, path)
