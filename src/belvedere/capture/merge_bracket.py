"""A frame of several exposures: each decoded once, compared with the others, all merged, band by band."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.bracket_account import BracketAccount
from belvedere.capture.camera_curve import estimate_camera_curve
from belvedere.capture.compare_exposures import Compared, compare_exposures, paired_codes
from belvedere.capture.containers import container_of
from belvedere.capture.exposure_noise import NoiseModel, quantisation_table
from belvedere.capture.exposure_steps import taken_ev
from belvedere.capture.frame import Exposure, Frame
from belvedere.capture.merge_exposures import (
    CLIP_REACH_PX,
    Codes,
    codes_of_light,
    fade,
    merge_exposures,
    neighbourhood,
)
from belvedere.capture.moved_regions import (
    BLOCK_PX,
    Moved,
    choose_exposures,
    chosen_rows,
    disagreement,
    squares_of,
)
from belvedere.capture.response_curve import whole_curve
from belvedere.capture.spooled_codes import SpooledCodes
from belvedere.capture.transfer import read_transfer
from belvedere.errors import UnreadableFile

_BAND_ROWS = 64  # a multiple of BLOCK_PX
_RATIO_ERROR = 0.012
"""One sigma of what sets two exposures of a still scene apart beside noise, as a share of light: flare,
curve, light that changes; our choice."""


def merge_bracket(
    frame: Frame, scratch: Path, decode: Callable[[Exposure], Codes]
) -> tuple[NDArray[np.uint16], BracketAccount]:
    """Merge the exposures of a frame.

    Memory is that of one exposure's decoding; the others lie in files in `scratch` meanwhile.

    Parameters
    ----------
    frame : Frame
        Of two exposures or more.
    scratch : Path
        Folder for the decoded exposures, which are removed again.
    decode : callable
        Gives an exposure's codes as displayed; raises UnreadableFile.

    Returns
    -------
    codes : ndarray of shape (height, width, 3), uint16
        Linear light, 1 at white of the frame's shortest exposure, coded by the curve of the frame's metadata.
    account : BracketAccount
        An exposure that cannot be read, or that shows something else, is left out and named.

    Raises
    ------
    UnreadableFile
        If none of the exposures can be read.
    """
    with ExitStack() as stack:
        spools, lost = spooled(frame, scratch, decode, stack)
        if not spools:
            raise UnreadableFile(frame.file, lost[0][1])
        transfer = read_transfer(frame.exposures[spools[0].number].metadata)
        coded_by = read_transfer(frame.metadata).to_linear
        light_of_codes = light_table(transfer.to_linear, spools[0].dtype)
        contrast = frame.exposures[0].contrast
        if contrast is None and not is_linear(frame.exposures[0]):
            contrast = estimate_camera_curve(
                paired_codes(spools, light_of_codes, transfer.to_linear), transfer.to_linear
            )
        if contrast:
            bent = whole_curve(transfer.to_linear, np.array(contrast)).astype(np.float32)
            light_of_codes = light_table(bent, spools[0].dtype)
        quantisation = quantisation_table(light_of_codes)
        balance = any(exposure.metadata.white_balance_auto for exposure in frame.exposures)
        compared = compare_exposures(spools, light_of_codes, quantisation, balance=balance)
        lost += [(spools[k].number, compared.why_not[k]) for k in sorted(compared.why_not)]
        used = _scaled(compared, spools, [taken_ev(exposure.metadata) for exposure in frame.exposures])
        moved = _moved(used, light_of_codes, compared)
        codes = np.empty(used[0].spool.shape, np.uint16)
        for y0, y1 in _bands(codes.shape[0]):
            chosen = None if moved is None else chosen_rows(moved, y0, y1, codes.shape[1])
            light = _merged_rows(used, y0, y1, light_of_codes, quantisation, chosen)
            codes[y0:y1] = codes_of_light(light, coded_by)
    account = BracketAccount(
        merged=tuple(u.spool.number for u in used),
        exposure_ev=tuple(float(np.log2(u.exposure[1])) for u in used),
        lost=tuple(sorted(lost)),
        wrong_settings=tuple(sorted(spools[k].number for k in compared.wrong_settings)),
        bent_ev=compared.bent_ev,
        shift_px=compared.shift_px,
        left_px=compared.left_px,
        moved_share=0.0 if moved is None else moved.share,
        moved_regions=0 if moved is None else moved.regions,
        noise=used[0].noise,
        curve=contrast or (),
    )
    return codes, account


@dataclass(frozen=True, slots=True)
class _Used:
    """An exposure that is merged: its codes, how far they are moved, the light it took, its noise."""

    spool: SpooledCodes
    offset: tuple[int, int]
    exposure: NDArray[np.float64]
    noise: NoiseModel


def spooled(
    frame: Frame, scratch: Path, decode: Callable[[Exposure], Codes], stack: ExitStack
) -> tuple[list[SpooledCodes], list[tuple[int, str]]]:
    """The exposures that can be read and are of one kind, decoded into files; the others with the reason."""
    spools: list[SpooledCodes] = []
    lost: list[tuple[int, str]] = []
    usual = frame.exposures[0].metadata
    for number, exposure in enumerate(frame.exposures):
        own = exposure.metadata
        if (own.width, own.height) != (usual.width, usual.height):
            why = f"is {own.width} x {own.height} px, {frame.name} {usual.width} x {usual.height}"
            lost.append((number, f"{why}, so it is not merged with it"))
            continue
        if (own.profile, own.color_space) != (usual.profile, usual.color_space):
            lost.append(
                (number, f"has another colour profile than {frame.name}, so it is not merged with it")
            )
            continue
        if own.bits != usual.bits:
            lost.append((number, f"has another depth than {frame.name}, so it is not merged with it"))
            continue
        try:
            pixels = decode(exposure)
        except UnreadableFile as error:
            lost.append((number, error.why))
            continue
        file = scratch / f".{own.exposure_s or 0:g}-{number}.{os.getpid()}-{threading.get_ident()}.part"
        stack.callback(file.unlink, missing_ok=True)
        spools.append(SpooledCodes.write(file, pixels, number=number, ev=taken_ev(own), iso=own.iso))
        del pixels  # before the next is decoded
    return spools, lost


def is_linear(exposure: Exposure) -> bool:
    """Whether no camera put a curve of its own on a file: a raw file, or none that can be read."""
    try:
        return container_of(exposure.file) == "raw"
    except (OSError, UnreadableFile):
        return True


def light_table(
    to_linear: NDArray[np.float32], dtype: np.dtype[np.uint8] | np.dtype[np.uint16]
) -> NDArray[np.float32]:
    """Linear light of every code: (256,) or (65536,)."""
    count = int(np.iinfo(dtype).max) + 1
    at = np.linspace(0.0, 1.0, count)
    table = np.interp(at, np.linspace(0.0, 1.0, to_linear.size), to_linear.astype(np.float64))
    return np.maximum.accumulate(table).astype(np.float32)


def _scaled(compared: Compared, spools: Sequence[SpooledCodes], told: Sequence[float | None]) -> list[_Used]:
    """What is merged, from less to more light; 1 is what the frame's shortest took, if that is lost too.

    `told` are the settings of all of the frame's exposures.
    """
    known = [ev for ev in told if ev is not None]
    base = spools[compared.order[0]].ev
    up = 0.0 if base is None or compared.wrong_settings or len(known) < len(told) else base - min(known)
    return [
        _Used(spools[k], compared.offsets[k], compared.exposures[k] * 2.0**up, compared.noise[k])
        for k in compared.order
    ]


def _bands(height: int) -> Iterator[tuple[int, int]]:
    for y0 in range(0, height, _BAND_ROWS):
        yield y0, min(y0 + _BAND_ROWS, height)


def _merged_rows(
    used: Sequence[_Used],
    y0: int,
    y1: int,
    light_of_codes: NDArray[np.float32],
    quantisation: NDArray[np.float64],
    chosen: NDArray[np.float32] | None,
) -> NDArray[np.float32]:
    """Rows y0 <= y < y1 of the merged light."""
    height = used[0].spool.shape[0]
    top, bottom = max(y0 - CLIP_REACH_PX, 0), min(y1 + CLIP_REACH_PX, height)
    codes: Codes = np.stack([u.spool.rows(top, bottom, u.offset) for u in used])  # type: ignore[assignment]
    if chosen is not None:
        whole = np.zeros((len(used), bottom - top, codes.shape[2]), np.float32)
        whole[:, y0 - top : y1 - top] = chosen
        chosen = whole
    exposures = np.stack([u.exposure for u in used])
    light = merge_exposures(codes, light_of_codes, exposures, [u.noise for u in used], quantisation, chosen)
    return light[y0 - top : y1 - top]


def _moved(used: Sequence[_Used], light_of_codes: NDArray[np.float32], compared: Compared) -> Moved | None:
    """Where exposures disagree, over the whole frame; None where there is nothing to compare."""
    height, width = used[0].spool.shape[:2]
    rows, columns = height // BLOCK_PX, width // BLOCK_PX
    if len(used) < 2 or not rows or not columns:
        return None
    apart = [np.zeros((rows, columns), np.float16) for _ in used[1:]]
    unclipped = [np.zeros((rows, columns), np.float16) for _ in used]
    say = fade(light_of_codes)
    for y0, y1 in _bands(rows * BLOCK_PX):
        top, bottom = max(y0 - CLIP_REACH_PX, 0), min(y1 + CLIP_REACH_PX, height)
        place = slice(y0 // BLOCK_PX, y1 // BLOCK_PX)
        before: NDArray[np.float32] | None = None
        for k, own in enumerate(used):
            codes = own.spool.rows(top, bottom, own.offset)
            said = say[neighbourhood(codes)][y0 - top : y1 - top]
            light = light_of_codes[codes[y0 - top : y1 - top]]
            squares = squares_of(light, said)
            unclipped[k][place] = squares.unclipped
            if before is not None:
                stepped = np.minimum(before * (own.exposure / used[k - 1].exposure).astype(np.float32), 1.0)
                everywhere = np.ones_like(said)
                apart[k - 1][place] = disagreement(
                    squares,
                    squares_of(before, said),
                    squares_of(light, everywhere),
                    squares_of(stepped, everywhere),
                    (own.exposure, used[k - 1].exposure),
                    (own.noise, used[k - 1].noise),
                    shift_px=compared.sigma_px,
                    ratio_error=_RATIO_ERROR + abs(compared.bent_ev) * np.log(2.0),
                )
            before = light
    for k in range(1, len(used)):
        _blank_edges(apart[k - 1], used[k].offset, used[k - 1].offset)
    return choose_exposures(apart, unclipped)


def _blank_edges(apart: NDArray[np.float16], *offsets: tuple[int, int]) -> None:
    """Squares that a moved exposure does not reach disagree with nothing."""
    rows, columns = apart.shape
    for x, y in offsets:
        wide, high = (-(-abs(v) // BLOCK_PX) + 1 if v else 0 for v in (x, y))
        if x > 0:
            apart[:, max(columns - wide, 0) :] = 0.0
        elif x < 0:
            apart[:, :wide] = 0.0
        if y > 0:
            apart[max(rows - high, 0) :] = 0.0
        elif y < 0:
            apart[:high] = 0.0
