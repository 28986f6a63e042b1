"""What a print will be, and what was made, in words for the person."""

from __future__ import annotations

from pathlib import Path

from belvedere.compose.finished_file import disk_space
from belvedere.deliver.colour_conversion import Intent
from belvedere.deliver.gamut_check import SEEN
from belvedere.deliver.print_file import PrintMade
from belvedere.deliver.print_plan import PrintPlan
from belvedere.deliver.true_resolution import TrueResolution
from belvedere.optics.print_size import MM_PER_INCH
from belvedere.optics.visual_acuity import ppi_needed

_INTENTS: dict[Intent, str] = {
    "perceptual": "perceptual intent",
    "relative": "relative colorimetric intent",
    "saturation": "saturation intent",
    "absolute": "absolute colorimetric intent",
}


def planned_words(plan: PrintPlan) -> str:
    """What will be made, a few lines."""
    return "\n".join([_size(plan), *_panels(plan), _resolution(plan.resolution), _sharpening(plan)])


def enlarging_words(plan: PrintPlan) -> str | None:
    """A warning where the print has more pixels than the picture, or None."""
    found = plan.resolution
    if not found.enlarges:
        return None
    distance = plan.options.distance_m
    needed = ppi_needed(distance)
    if found.lowest >= needed:
        enough = f"seen from {distance:g} m that is enough, the eye tells {needed:.0f}"
    elif found.typical >= needed:
        enough = (
            f"seen from {distance:g} m the eye tells {needed:.0f}, so it will look soft where it has fewest, "
            f"{_place(*found.lowest_at)}"
        )
    else:
        enough = f"seen from {distance:g} m the eye tells {needed:.0f}, so it will look soft there"
    return (
        f"the print is enlarged: it has {found.print_ppi:.0f} pixels per inch, "
        f"the picture {found.picture_ppi:.0f}. No detail is gained; {enough}"
    )


def made_words(plan: PrintPlan, made: PrintMade) -> str:
    """What was made, a few lines."""
    lines = []
    conversion = made.conversion
    if conversion is not None:
        black = ", black point compensation" if conversion.black_point else ""
        lines.append(f"Colours: “{conversion.paper.name}”, {_INTENTS[conversion.intent]}{black}.")
    if made.gamut is not None:
        lines.append(_gamut(made.gamut.share, made.gamut.mean_of_them))
    lines.append(f"Written: {_files(made.files)}")
    return "\n".join(lines)


def _size(plan: PrintPlan) -> str:
    layout, wish = plan.layout, plan.options.wish
    width, height = layout.mm(layout.front.width), layout.mm(layout.front.height)
    words = (
        f"On paper: {width:,.0f} x {height:,.0f} mm "
        f"({width / MM_PER_INCH:.1f} x {height / MM_PER_INCH:.1f} in) at {layout.ppi:g} pixels per inch"
    )
    if wish.margin_mm:
        words += f", {wish.margin_mm:g} mm of it margin on every side"
    shown = layout.picture
    bare = layout.mm(max(layout.front.width - shown.width, layout.front.height - shown.height))
    if bare - 2.0 * wish.margin_mm > 1.0:
        words += (
            f", the whole picture {layout.mm(shown.width):,.0f} x {layout.mm(shown.height):,.0f} mm in it"
        )
    if wish.wrap_mm:
        words += f", and {wish.wrap_mm:g} mm to turn over the stretcher"
    if wish.bleed_mm:
        words += f", and {wish.bleed_mm:g} mm of bleed"
    if layout.mirrored:
        words += ", where the picture's rim is mirrored"
    elif wish.wrap_mm or wish.bleed_mm:
        words += ", taken from the picture's rim"
    return f"{words}. About {disk_space(plan.expected_bytes)}."


def _panels(plan: PrintPlan) -> list[str]:
    count, rows = len(plan.panels), plan.panels[0].rows
    if count == 1:
        return []
    widest, highest = (max(getattr(p.page, side) for p in plan.panels) for side in ("width", "height"))
    first, below = plan.panels[0].image, plan.panels[count // rows].image if rows > 1 else None
    shared = first.x1 - plan.panels[1].image.x0 if below is None else first.y1 - below.y0
    overlap = (
        f"neighbours share {plan.layout.mm(shared):.0f} mm, cut through their middle"
        if shared
        else "they meet edge to edge"
    )
    grid = f", {count // rows} across and {rows} down" if rows > 1 else ""
    return [
        f"{count} panels{grid}, the sheets up to {plan.layout.mm(widest):,.0f} mm wide and "
        f"{plan.layout.mm(highest):,.0f} mm high; {overlap}."
    ]


def _resolution(found: TrueResolution) -> str:
    if not found.from_frames:
        return (
            f"The picture has {found.typical:.0f} pixels per printed inch; how many pixels of the frames "
            "stand behind them is not known without its report."
        )
    spare = (
        f" The print shows {found.print_ppi:.0f} of them at most."
        if found.highest > 1.02 * found.print_ppi
        else ""
    )
    if found.highest - found.lowest < 0.02 * found.highest:
        return f"True resolution: {found.typical:.0f} pixels of the frames per printed inch, all over.{spare}"
    return (
        f"True resolution: {found.typical:.0f} pixels of the frames per printed inch; "
        f"lowest {found.lowest:.0f}, {_place(*found.lowest_at)}, highest {found.highest:.0f}.{spare}"
    )


def _place(x: float, y: float) -> str:
    across = "left" if x < 0.2 else "right" if x > 0.8 else ""
    down = "top" if y < 0.2 else "bottom" if y > 0.8 else ""
    if across and down:
        return f"at the {down} {across}"
    return f"at the {across or down}" if across or down else "towards the middle"


def _sharpening(plan: PrintPlan) -> str:
    options, kernel = plan.options, plan.sharpening
    if not options.sharpen:
        return "Not sharpened."
    if kernel.amount == 0.0:
        return (
            f"Not sharpened: seen from {options.distance_m:g} m, this paper takes nothing the eye would see."
        )
    return (
        f"Sharpened for {options.distance_m:g} m: detail of {kernel.cycles_per_mm:.1f} cycles per mm is "
        f"raised {kernel.gain:.2f} times, since paper leaves "
        f"{100.0 * kernel.paper_contrast:.0f} % of it (a model)."
    )


def _gamut(share: float, mean: float) -> str:
    if share < 0.0005:
        return "The paper can show all of the picture's colours."
    told = f"{100.0 * share:.1f} %" if share >= 0.001 else "less than 0.1 %"
    return (
        f"The paper cannot show {told} of the picture: colours there change by {mean:.1f} on average "
        f"(CIEDE2000, {SEEN:g} and more counted)."
    )


def _files(files: tuple[Path, ...]) -> str:
    return str(files[0]) if len(files) == 1 else f"{files[0]} to {files[-1].name}"
