"""The sets by name."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from belvedere.demo.faults import Fault
from belvedere.demo.place import Place
from belvedere.demo.render import write_set
from belvedere.demo.spec import SetSpec, SimulatedBody, SimulatedLens
from belvedere.demo.truth import Truth

_WIDE = SimulatedLens("Ilvane 28 mm f/2.8", (-0.06, 0.012, 0.0), (0.05, 0.03), (-0.45, 0.10, -0.03))
_MIDDLE = SimulatedLens("Ilvane 35 mm f/2", (-0.05, 0.008, 0.0), (0.02, 0.04), (-0.40, 0.10, -0.02))
_LONG = SimulatedLens("Ilvane 85 mm f/2", (0.03, 0.0, 0.0), (-0.04, 0.05), (-0.25, 0.03, 0.0))
_CURVED = SimulatedBody("Brevalin", "Brevalin C5", "88-1190", contrast=0.55)
_PLAIN = SimulatedLens(distortion=(0.0, 0.0, 0.0), principal_offset_mm=(0.0, 0.0))

SETS: dict[str, SetSpec] = {
    spec.name: spec
    for spec in (
        SetSpec("row"),
        SetSpec("rows-3x5", rows=3, columns=5, pitch_deg=-6.0, place=Place(relief=2.2)),
        SetSpec("full-turn", columns=12, full_turn=True, focal_mm=28.0, lens=_WIDE, pitch_deg=-2.0),
        SetSpec("mixed-orientations", orientations=(1, 6, 8), columns=8),
        SetSpec("gap", columns=9, omit=((0, 4),)),
        SetSpec("clipped-sky", brightness=1.9, drift_ev=(0.0, 0.12, -0.1, 0.2), place=Place(clouds=0.6)),
        SetSpec("cloud-drift", rows=2, columns=5, cloud_drift=(0.0020, 0.0008), place=Place(clouds=0.6)),
        SetSpec("walkers", walkers=20, pitch_deg=-6.0, seconds_per_frame=2.0),
        SetSpec(
            "contrast-curve",
            body=_CURVED,
            exposure_ev=(0.0, 1.0 / 3.0, -1.0 / 3.0, 0.0),
            white_balance_sigma=0.01,
        ),
        SetSpec("sea-horizon", columns=7, yaw_deg=60.0, place=Place(sea_yaw_deg=60.0, sea_width_deg=100.0)),
        SetSpec(
            "sea-horizon-180", columns=12, yaw_deg=60.0, place=Place(sea_yaw_deg=60.0, sea_width_deg=200.0)
        ),
        # At 50 mm upright the top row looks up 17.45 degrees; 18 % from its lower edge lies 12.97 under that.
        SetSpec(
            "plain-top-row",
            rows=2,
            columns=5,
            pitch_deg=4.0,
            tilt_deg=1.0,
            tilt_azimuth_deg=90.0,
            place=Place(clouds=0.0, skyline_deg=4.48, sea_width_deg=0.0),
        ),
        SetSpec("ring-36", columns=36, step_deg=9.6, focal_mm=85.0, lens=_LONG, pitch_deg=-2.0),
        SetSpec("repeated-texture", columns=6, place=Place(facade=True)),
        SetSpec("exposure-steps", exposure_ev=(0.0, 1.0, -0.67, 0.33, -1.0, 0.67, 0.0)),
        SetSpec("stray", columns=8, stray=4),
        # Upright at 35 mm, 10 degrees down: the frames' lower corners look at ground 2.5 m away.
        SetSpec(
            "near-ground",
            columns=6,
            focal_mm=35.0,
            lens=_MIDDLE,
            pitch_deg=-10.0,
            tilt_deg=0.5,
            pupil_offset_mm=60.0,
            place=Place(eye_m=1.55),
        ),
        SetSpec(
            "faults",
            columns=12,
            faults=(
                Fault(2, untold_ev=-0.7),
                Fault(4, motion_px=3.0, motion_deg=35.0),
                Fault(6, defocus_px=5.0, focal_factor=1.012),
                Fault(8, roll_deg=4.0),
                Fault(10, white_balance=(1.12, 0.88), white_balance_auto=True),
            ),
        ),
        SetSpec("distortion-free", lens=_PLAIN, tilt_deg=0.0),
    )
}
"""Every set there is, at full size."""


def render_set(
    name: str, folder: Path, *, megapixels: float | None = None, seed: int = 0, **changes: Any
) -> Truth:
    """Shoot one of the sets into a folder.

    Parameters
    ----------
    name : str
        One of `SETS`.
    folder : Path
        Made if missing; frames and truth.json go there.
    megapixels : float or None
        Million pixels a frame; None: the set's own 24.
    seed : int
        Scatter, noise, walkers and the place itself follow from it.
    **changes
        Any other field of `SetSpec`.

    Raises
    ------
    ValueError
        If there is no such set.
    """
    return write_set(set_spec(name, megapixels=megapixels, seed=seed, **changes), folder)


def set_spec(name: str, *, megapixels: float | None = None, seed: int = 0, **changes: Any) -> SetSpec:
    """The spec of one of the sets, changed as asked; see `render_set`."""
    if name not in SETS:
        raise ValueError(f"there is no set named {name!r}; there are {', '.join(SETS)}")
    spec = SETS[name]
    if megapixels is not None:
        changes["megapixels"] = megapixels
    spec = replace(spec, seed=seed, **changes)
    if "place" not in changes:
        spec = replace(spec, place=replace(spec.place, seed=seed))
    return spec
