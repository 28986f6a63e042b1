"""The report of a run, put together from the results of its stages."""

from __future__ import annotations

import math
import shlex
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import belvedere
from belvedere.align.alignment import Alignment
from belvedere.capture.bracket_account import BracketAccount
from belvedere.capture.frame import Frame
from belvedere.compose.coverage import Hole
from belvedere.compose.footprint import footprint
from belvedere.compose.report import (
    BlockReport,
    CoverageReport,
    ExposureReport,
    FrameReport,
    HoleReport,
    LensReport,
    LevelReport,
    MergeReport,
    OverlapReport,
    PictureReport,
    PlateReport,
    QualityReport,
    Report,
    ResponseReport,
    SoftwareReport,
    TimingReport,
    UnreadableReport,
    WordReport,
)
from belvedere.geometry.plate import Plate
from belvedere.pipeline.code_version import library_versions
from belvedere.pipeline.grid_place import empty_place, missing_at_ends
from belvedere.tone.tone import Response, Tone


@dataclass(frozen=True, slots=True)
class Made:
    """What the stages gave.

    Parameters
    ----------
    frames : tuple of Frame
    exposures : tuple of tuple of (str, str)
        Each frame's exposures: path under the card, SHA-256. The first gives the frame its name.
    accounts : tuple of (BracketAccount or None)
        Of each frame of several exposures what became of them.
    alignment, tone, plate : Alignment, Tone, Plate
    why : str
        Why this projection.
    response : Response
        That the picture is encoded by.
    covered_fraction : float
        Share of the plate that frames cover.
    holes : tuple of Hole
    unreadable : tuple of (str, str)
        Files that never became frames, each with the reason.
    notices : tuple of str
        Beside those of the stages.
    word : WordReport or None
        The person's word that was heeded.
    """

    frames: tuple[Frame, ...]
    exposures: tuple[tuple[tuple[str, str], ...], ...]
    accounts: tuple[BracketAccount | None, ...]
    alignment: Alignment
    tone: Tone
    plate: Plate
    why: str
    response: Response
    covered_fraction: float
    holes: tuple[Hole, ...]
    unreadable: tuple[tuple[str, str], ...]
    notices: tuple[str, ...]
    word: WordReport | None = None


def make_report(
    made: Made, seconds: Mapping[str, float], peak_bytes: int, picture: PictureReport | None, out: Path
) -> Report:
    """Put the report together.

    Parameters
    ----------
    made : Made
    seconds : mapping
        Wall seconds by "decode", "align", "tone", "compose", "write", "total"; what is missing was not done.
    peak_bytes : int
        Most memory held.
    picture : PictureReport or None
        The file, where one was written.
    out : Path
        Where the picture is; other blocks' commands name files beside it.
    """
    plate = made.plate
    angles = plate.yaw_pitch_roll
    return Report(
        frames=tuple(_frame(made, i) for i in range(len(made.frames))),
        lenses=tuple(
            LensReport(
                model=lens.model,
                body=lens.body,
                lens=lens.lens,
                focal_mm=lens.focal_mm,
                principal_offset_sensor_px=lens.principal_offset_sensor_px,
            )
            for lens in made.alignment.lenses
        ),
        plate=PlateReport(
            projection=plate.projection,
            width=plate.width,
            height=plate.height,
            pixels_per_radian=plate.pixels_per_radian,
            centre=plate.centre,
            yaw_pitch_roll_deg=(math.degrees(angles[0]), math.degrees(angles[1]), math.degrees(angles[2])),
            d=plate.d if plate.projection == "pannini" else None,
            why=made.why.removeprefix(f"{plate.projection}: "),
        ),
        level=LevelReport(
            source=made.alignment.level.source,
            sigma_deg=math.degrees(made.alignment.level.sigma_rad),
            words=made.alignment.level.words,
        ),
        response=ResponseReport(known_from=made.response.known_from, curve=made.response.curve),
        quality=QualityReport(
            tie_point_rms_px=made.alignment.tie_point_rms_px, overlaps=_overlaps(made.alignment, made.tone)
        ),
        coverage=CoverageReport(
            covered_fraction=min(1.0, made.covered_fraction),
            holes=_holes(made),
        ),
        timing=TimingReport(
            decode_s=seconds.get("decode", 0.0),
            align_s=seconds.get("align", 0.0),
            tone_s=seconds.get("tone", 0.0),
            compose_s=seconds.get("compose", 0.0),
            write_s=seconds.get("write", 0.0),
            total_s=seconds.get("total", 0.0),
            peak_rss_mb=peak_bytes / 1e6,
        ),
        software=SoftwareReport(version=belvedere.__version__, dependencies=library_versions()),
        picture=picture,
        components=_blocks(made, out),
        unreadable=tuple(UnreadableReport(file=file, why=why) for file, why in made.unreadable),
        word=made.word,
        notices=(*made.notices, *made.alignment.notices, *made.tone.notices),
    )


def _frame(made: Made, index: int) -> FrameReport:
    frame, placed = made.frames[index], made.alignment.frames[index]
    exposures = tuple(ExposureReport(file=file, sha256=digest) for file, digest in made.exposures[index])
    file, merge = made.exposures[index][0][0], _merge(made.accounts[index])
    width, height = frame.metadata.width, frame.metadata.height
    tone, camera = made.tone.frames[index], placed.camera
    if camera is None or tone is None:
        return FrameReport(
            file=file,
            exposures=exposures,
            merge=merge,
            used=False,
            lens=placed.lens,
            width=width,
            height=height,
            reason=placed.reason or "could not be placed",
        )
    placed_by: Literal["tie-points", "grid"] = placed.placed_by
    return FrameReport(
        file=file,
        exposures=exposures,
        merge=merge,
        used=True,
        row=placed.row,
        column=placed.column,
        lens=placed.lens,
        width=width,
        height=height,
        focal_px=camera.focal_px,
        principal_point=camera.principal_point,
        distortion=camera.distortion,
        rotation_wxyz=camera.rotation_wxyz,
        gain=tone.gain,
        white_balance=tone.white_balance,
        vignetting=tone.vignetting,
        placed_by=placed_by,
        placement_sigma_px=placed.placement_sigma_px,
        doubt=placed.doubt,
    )


def _merge(account: BracketAccount | None) -> MergeReport | None:
    """How a frame's exposures were merged, those in the order of the frame's."""
    if account is None:
        return None
    order = sorted(range(len(account.merged)), key=lambda k: account.merged[k])
    return MergeReport(
        exposure_ev=tuple(account.exposure_ev[k] for k in order),
        moved_fraction=account.moved_share,
        shift_px=account.shift_px,
        left_px=account.left_px,
        photon_variance=account.noise.photon,
        read_variance=account.noise.read,
        noise_measured=account.noise.measured,
    )


def _holes(made: Made) -> tuple[HoleReport, ...]:
    """The holes seen on the plate, then the places at the ends of rows that no frame was shot for."""
    out = [_hole(hole, made.alignment) for hole in made.holes]
    named = {(h.row, h.column) for h in out}
    for row, column, camera in missing_at_ends(made.alignment):
        rects = footprint(camera, made.plate)
        if row < 0 or column < 0 or (row, column) in named or not rects:
            continue
        rect = max(rects, key=lambda r: (r.x1 - r.x0) * (r.y1 - r.y0))
        x, y, z = (float(v) for v in camera.rotation[2])
        yaw, pitch = math.degrees(math.atan2(x, z)), math.degrees(math.atan2(-y, math.hypot(x, z)))
        out.append(HoleReport(row=row, column=column, yaw_deg=yaw, pitch_deg=pitch, plate_rect=rect))
    return tuple(out)


def _hole(hole: Hole, alignment: Alignment) -> HoleReport:
    row, column = empty_place(alignment, hole.yaw_deg, hole.pitch_deg) or (None, None)
    x0, y0, x1, y1 = hole.plate_rect
    return HoleReport(
        row=row, column=column, yaw_deg=hole.yaw_deg, pitch_deg=hole.pitch_deg, plate_rect=(x0, y0, x1, y1)
    )


def _overlaps(alignment: Alignment, tone: Tone) -> tuple[OverlapReport, ...]:
    """Every pair with tie points, and every other pair whose light was compared."""
    steps = {(min(a, b), max(a, b)): step if a < b else -step for a, b, step in tone.steps}
    tied = {(pair.a, pair.b): pair for pair in alignment.pairs}
    found = []
    for pair, ties in tied.items():
        found.append(
            OverlapReport(
                a=pair[0],
                b=pair[1],
                overlap_fraction=min(1.0, max(0.0, ties.overlap_fraction)),
                tie_points=len(ties.points_a),
                rms_px=ties.rms_px,
                tone_step_ev=steps.get(pair),
            )
        )
    return tuple(sorted(found, key=lambda o: (o.a, o.b)))


def _blocks(made: Made, out: Path) -> tuple[BlockReport, ...]:
    blocks = []
    shown = set(made.alignment.used)
    for number, block in enumerate(made.alignment.components):
        command = None
        if number and len(block) > 1 and not shown.issuperset(block):
            target = out.with_name(f"{out.stem}-{number + 1}{out.suffix}")
            files = [str(made.frames[i].file) for i in block]
            command = command_line(["belvedere", "stitch", *files, "--out", str(target)])
        blocks.append(BlockReport(frames=tuple(block), command=command))
    return tuple(blocks)


def command_line(words: Sequence[str]) -> str:
    """A command as a person would type it into this system's shell."""
    return subprocess.list2cmdline(words) if sys.platform == "win32" else shlex.join(words)
