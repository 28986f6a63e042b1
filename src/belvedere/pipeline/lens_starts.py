"""Where the lenses of a set may start from, by the lens list, where the person asks for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from belvedere.capture.frame import Frame
from belvedere.capture.lens_shown import shown_by
from belvedere.optics.lens_fit import FallFit, RadialFit
from belvedere.optics.lens_list import LensStart, Shown, lens_start
from belvedere.pipeline.options import StitchOptions


def with_lens_starts(
    options: StitchOptions, frames: Sequence[Frame], database: Any = None
) -> tuple[StitchOptions, list[str]]:
    """The options with what the list says of the frames' lenses, and a sentence on each lens.

    Parameters
    ----------
    options : StitchOptions
        Unchanged unless `lens_start` is set.
    frames : sequence of Frame
    database : lensfunpy.Database or None
        None: the list lensfunpy brings.
    """
    if not options.lens_start:
        return options, []
    radial: dict[Shown, RadialFit] = {}
    fall: dict[Shown, FallFit] = {}
    said: dict[tuple[str | None, float | None], str] = {}
    for shown in dict.fromkeys(shown_by(f.metadata, with_stop=True) for f in frames):
        found = lens_start(shown, database)
        lens = (shown.lens, shown.focal_mm)
        if found is None:
            said.setdefault(lens, _unknown(shown))
            continue
        if found.distortion is not None:
            radial[replace(shown, f_number=None)] = found.distortion
        if found.fall is not None:
            fall[shown] = found.fall
        if said.get(lens, _unknown(shown)) == _unknown(shown):
            said[lens] = _known(shown, found)
    align = replace(options.align, lens_starts=tuple(radial.items()))
    tone = replace(options.tone, lens_starts=tuple(fall.items()))
    return replace(options, align=align, tone=tone), list(said.values())


def _known(shown: Shown, found: LensStart) -> str:
    of = f"{found.name} at {shown.focal_mm:g} mm"
    parts = []
    if found.distortion is not None:
        moved = 100.0 * sum(found.distortion.corner)
        half = ((shown.width**2 + shown.height**2) ** 0.5) / 2.0
        left = found.distortion.residual * half
        parts.append(f"distortion ({moved:+.1f} % in the corner, its formula kept within {left:.1f} px)")
    if found.fall is not None:
        corner = 100.0 * (1.0 + sum(found.fall.coefficients))
        parts.append(f"vignetting ({corner:.0f} % of the light in the corner)")
    both = " and ".join(parts)
    missing = "" if found.fall is not None else "; it has no vignetting near this stop"
    return f"{of}: {both} started from the lens list, as asked; what the overlaps show overruled it{missing}"


def _unknown(shown: Shown) -> str:
    if not shown.lens:
        return "the lens list was asked for, but the frames do not name their lens; nothing was taken from it"
    return f"the lens list has no {shown.lens} for this sensor and focal length; nothing was taken from it"
