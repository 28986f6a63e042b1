"""Stepped exposures of one pose: what merging gives back of the light, and of people who walk by."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.bracket_account import BracketAccount
from belvedere.capture.decode import decode
from belvedere.capture.frame import Exposure, Frame
from belvedere.capture.merge_bracket import merge_bracket
from belvedere.capture.metadata import read_metadata
from belvedere.capture.response_curve import whole_curve
from belvedere.capture.transfer import read_transfer
from belvedere.demo.exposing import decode_curve
from belvedere.demo.poses import plan_shots
from belvedere.demo.render import light_of, truth, write_exposure
from belvedere.demo.sets import set_spec
from belvedere.demo.spec import SetSpec, SimulatedBody
from belvedere.demo.walkers import walker_mask
from benchmarks.bracket_wedge import Files, linear, merge_wedge, shoot_wedge, tone_bands
from benchmarks.sets import Setting, seeds
from benchmarks.table import Figure

PLANS: dict[str, tuple[float, ...]] = {
    "3 exposures, 2 EV": (0.0, -2.0, 2.0),
    "3 exposures, 3 EV": (0.0, -3.0, 3.0),
    "5 exposures, 2 EV": (-4.0, -2.0, 0.0, 2.0, 4.0),
}
_WELL_ABOVE_EV = 5.0  # noise: a band in which a bias of the mean shows
_MEGAPIXELS, _SEEDS = 1.5, 3
_GHOST_EV = 0.4  # by which a pixel is none of the exposures'


def measure(setting: Setting) -> Iterator[Figure]:
    """The figures of this group."""
    folder = setting.room("brackets")
    for files in ("tiff", "raw", "jpeg"):
        for name, plan in PLANS.items():
            yield from _wedge(files, name, plan, folder)
    yield _noise(folder)
    yield _rounded_times(folder)
    yield from _contrast(min(setting.megapixels, _MEGAPIXELS), folder)
    megapixels = min(setting.megapixels, _MEGAPIXELS)
    for raw in ("none", "dng"):
        yield from _walkers(raw, megapixels, list(seeds(setting, _SEEDS)), folder)
    yield from _speed(min(setting.megapixels, 6.0), folder)
    shutil.rmtree(folder, ignore_errors=True)


def _wedge(files: Files, name: str, plan: tuple[float, ...], folder: Path) -> Iterator[Figure]:
    frame, light = shoot_wedge(folder / "wedge", files, plan)
    wedge = merge_wedge(frame, light, folder, SimulatedBody())
    best, found = wedge.range_ev(best=True), wedge.range_ev()
    yield Figure(
        f"{files}, {name}: dynamic range short of the best weights'",
        best - found,
        "EV",
        (-0.1, 0.1),
        note=f"{found:.2f} of {best:.2f} EV",
    )
    off = max((abs(b) for depth, b in tone_bands(wedge) if depth < best - _WELL_ABOVE_EV), default=np.nan)
    yield Figure(f"{files}, {name}: bias of the worst tone band", 100.0 * off, "%", 1.0)


def _noise(folder: Path) -> Figure:
    body = SimulatedBody(full_well=18000.0, read_noise=3.0)
    frame, _ = shoot_wedge(folder / "noise", "tiff", (0.0, -2.0, 2.0), body=body)
    noise = merge_bracket(frame, folder, decode)[1].noise
    true = 1.0 / body.full_well, (body.read_noise / body.full_well) ** 2
    off = [abs(p / true[0] - 1.0) for p in noise.photon] + [abs(r / true[1] - 1.0) for r in noise.read]
    return Figure("noise model of 18,000 and 3 electrons: worst parameter", 100.0 * max(off), "%", 15.0)


def _rounded_times(folder: Path) -> Figure:
    """Exact steps of 2 EV whose tags tell the rounded marks of cameras."""
    frame, _ = shoot_wedge(folder / "marks", "jpeg", (0.0, -2.0, 2.0))
    marks = (1 / 30, 1 / 125, 1 / 8)
    told = [
        replace(e, metadata=replace(e.metadata, exposure_s=t))
        for e, t in zip(frame.exposures, marks, strict=True)
    ]
    account = merge_bracket(Frame(tuple(told)), folder, decode)[1]
    off = np.abs(np.array(account.exposure_ev) - (0.0, 2.0, 4.0)).max()
    return Figure("steps told as 1/30, 1/125, 1/8 s: worst", float(off), "EV", 0.02)


def _contrast(megapixels: float, folder: Path) -> Iterator[Figure]:
    """JPEGs of a body with a contrast curve of its own, which no profile tells."""
    contrast = 0.55
    body = SimulatedBody("Brevalin", "Brevalin C5", contrast=contrast)
    plan = PLANS["3 exposures, 2 EV"]
    spec = set_spec("row", megapixels=megapixels, columns=1, bracket_ev=plan, brightness=1.3, body=body)
    frame = _shot(spec, folder / "contrast")
    account = merge_bracket(frame, folder, decode)[1]
    off = np.abs(np.array(account.exposure_ev) - (0.0, 2.0, 4.0)).max()
    yield Figure("a camera's own contrast: worst step", float(off), "EV", 0.02)
    found = whole_curve(read_transfer(frame.exposures[0].metadata).to_linear, np.array(account.curve))
    codes = slice(103, 1000)  # from a tenth of white to where it clips
    miss = np.log2(found[codes] / decode_curve(contrast)[codes])
    yield Figure("the same: its curve, least to most off", float(np.ptp(miss)), "EV", 0.1)


def _walkers(raw: str, megapixels: float, those: list[int], folder: Path) -> Iterator[Figure]:
    kind = "raw" if raw == "dng" else "JPEG"
    ghosts = people = regions = 0
    still = 0.0
    for seed in those:
        for walkers in (6, 0):
            spec = set_spec(
                "walkers",
                megapixels=megapixels,
                seed=seed,
                columns=1,
                walkers=walkers,
                bracket_ev=PLANS["3 exposures, 2 EV"],
                raw=raw,
            )
            frame = _shot(spec, folder / f"walkers-{raw}")
            codes, account = merge_bracket(frame, folder, decode)
            if walkers:
                regions += account.moved_regions
                found, shown = _ghosts(spec, frame, codes, account)
                ghosts, people = ghosts + found, people + shown
            else:
                still = max(still, account.moved_share)
    share = 100.0 * ghosts / max(people, 1)
    note = f"{regions} regions, {people:,} px that show someone in an exposure"
    yield Figure(f"{kind}, walkers: px that are no exposure's own", share, "%", 1.0, note=note)
    yield Figure(f"{kind}, nobody there: taken for moved, worst", 100.0 * still, "%", 0.5)


def _shot(spec: SetSpec, folder: Path) -> Frame:
    """The first pose of a set as files."""
    folder.mkdir(parents=True, exist_ok=True)
    suffix = "DNG" if spec.raw == "dng" else "JPG"
    exposures = []
    for k, shot in enumerate(plan_shots(spec)[: len(spec.bracket_ev)]):
        file = folder / f"B_{k:04d}.{suffix}"
        write_exposure(spec, shot, light_of(spec, shot), file)
        exposures.append(Exposure(file, read_metadata(file), "scene" if spec.raw == "dng" else "screen"))
    return Frame(tuple(exposures))


def _ghosts(
    spec: SetSpec, frame: Frame, codes: NDArray[np.uint16], account: BracketAccount
) -> tuple[int, int]:
    """Pixels that show someone in an exposure and are like none of the exposures; all that show someone."""
    known = truth(spec)
    anyone = np.zeros(codes.shape[:2], bool)
    nearest = np.full(codes.shape[:2], np.inf)
    merged = linear(codes, frame.metadata)[..., 1]
    for number, ev in zip(account.merged, account.exposure_ev, strict=True):
        anyone |= walker_mask(known.frames[number]) > 0
        exposure = frame.exposures[number]
        own = linear(decode(exposure), exposure.metadata)
        off = np.abs(np.log2(np.maximum(merged, 1e-6) / np.maximum(own[..., 1] / 2.0**ev, 1e-6)))
        nearest = np.minimum(nearest, np.where(own.max(axis=2) > 0.8, np.inf, off))
    return int((anyone & (nearest > _GHOST_EV)).sum()), int(anyone.sum())


def _speed(megapixels: float, folder: Path) -> Iterator[Figure]:
    spec = set_spec("row", megapixels=megapixels, columns=1, bracket_ev=PLANS["3 exposures, 2 EV"])
    frame = _shot(spec, folder / "speed")
    spent = 0.0

    def timed(exposure: Exposure) -> Any:
        nonlocal spent
        began = time.process_time()
        pixels = decode(exposure)
        spent += time.process_time() - began
        return pixels

    merge_bracket(frame, folder, timed)
    spent = 0.0
    began = time.process_time()
    merge_bracket(frame, folder, timed)
    took = time.process_time() - began - spent
    note = f"{took:.1f} s of processor time beside {spent:.1f} s of decoding"
    yield Figure(f"3 exposures of {megapixels:g} MP: merging, a megapixel", took / megapixels, "s", note=note)
