"""A shoot plan in words: the answer first, the grid, and the numbers under it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from belvedere.plan.answer_words import answer_lines, headline
from belvedere.plan.day_words import day_words, moon_day_words
from belvedere.plan.falling_light import falling_light_words
from belvedere.plan.figures import FAR_M, Figures
from belvedere.plan.head_words import head_words, paragraph
from belvedere.plan.light import PlanLight
from belvedere.plan.motion import motion_words
from belvedere.plan.number_words import (
    Units,
    bytes_words,
    count_words,
    degrees_words,
    distance_words,
    list_words,
    megapixels_words,
    pixels_words,
    print_words,
    share_words,
    small_words,
)
from belvedere.plan.shoot_plan import ShootPlan
from belvedere.plan.shooting import Shooting
from belvedere.plan.sky_polarisation import polariser_words
from belvedere.plan.sun import TRUE_BEARINGS
from belvedere.plan.sun_words import sun_words
from belvedere.plan.sweep import duration_words
from belvedere.plan.terminal_grid import terminal_grid
from belvedere.plan.told_plan import ToldPlan

_STEEP = math.radians(10.0)


def plan_words(
    told: ToldPlan,
    *,
    notes: Sequence[str] = (),
    machine: Sequence[str] = (),
    width: int = 80,
) -> str:
    """A plan for a terminal.

    Parameters
    ----------
    told : ToldPlan
    notes : sequence of str
        Whole sentences to be read right after the answer.
    machine : sequence of str
        Whole sentences on memory and disk.
    width : int
        Columns of the terminal.

    Returns
    -------
    str
        No line feed at the end.
    """
    plan, figures, shooting = told.plan, told.figures, told.shooting
    answer = [
        line
        for name, said in answer_lines(plan, figures, told.units)
        for line in paragraph(said, width, f"  {name:<9}", " " * 11)
    ]
    parts = ["\n".join([*paragraph(headline(plan), width), "", *answer])]
    parts += ["\n".join(paragraph(note, width)) for note in notes]
    if told.assumed:
        parts.append("\n".join(paragraph(f"Assumed: {'; '.join(told.assumed)}.", width)))
    grid = "The grid as the camera sees it, stops numbered in shooting order:"
    parts.append("\n".join([*paragraph(grid, width), "", *terminal_grid(plan, width)]))
    parts.append("\n".join(head_words(plan, width)))
    for title, sentences in (
        ("Overlap and field", _field(plan, figures)),
        ("Picture and print", _picture(plan, figures, shooting, told.units)),
        ("Files", [*_files(figures), *machine]),
        ("Lens and tripod", _lens(plan, figures, shooting)),
        ("Time and light", [*_time(plan, figures, shooting), *_light(told)]),
        ("Take care", told.cautions),
    ):
        parts.append("\n".join(_section(title, sentences, width)))
    return "\n\n".join(parts)


def _field(plan: ShootPlan, figures: Figures) -> Iterator[str]:
    yield (f"A frame sees {degrees_words(figures.frame_wide)} x {degrees_words(figures.frame_tall)} degrees.")
    if figures.overlap is not None and figures.overlap_edge is not None:
        yield (
            f"Neighbours in a row share at least {share_words(figures.overlap)} of their area, and "
            f"{share_words(figures.overlap_edge)} of their width where they share least{_converging(plan)}."
        )
    if figures.overlap_rows is not None and figures.overlap_rows_edge is not None:
        yield (
            f"A frame and the rows above and below share at least {share_words(figures.overlap_rows)} of its "
            f"area, and {share_words(figures.overlap_rows_edge)} of its height where they share least."
        )
    if figures.too_little_overlap is not None:
        yield (
            "That least, at an edge of the frames, is little to join them by: where detail counts there, "
            "plan with more overlap, or a row more."
        )
    counts = [len(row.stops) for row in plan.rows]
    if (
        len(set(counts)) > 1
        and not plan.extra_column_and_row
        and max(abs(r.pitch) for r in plan.rows) > _STEEP
    ):
        yield "Away from the level a row goes round a smaller circle, so fewer columns do."
    if plan.extra_column_and_row:
        yield "A column and a row more than needed are counted in, for safety."
    closing = [r for r in plan.rows if r.closing_step is not None and abs(r.closing_step - r.step) > 1e-6]
    if closing:
        yield "The clicks do not divide the full turn: the step that closes a row is smaller."
    if figures.other is not None:
        yield portrait_words(plan, figures)


def _converging(plan: ShootPlan) -> str:
    steep = max(abs(row.pitch) for row in plan.rows) > _STEEP
    return ": tilted frames converge on one side and part on the other" if steep else ""


def portrait_words(plan: ShootPlan, figures: Figures) -> str:
    """What holding the camera upright gains over holding it lying, or loses."""
    other = figures.other
    if other is None:
        return ""
    now = f"{count_words(plan.frames, 'frame')} in {count_words(len(plan.rows), 'row')}"
    then = f"{count_words(other.frames, 'frame')} in {count_words(other.rows, 'row')}"
    own, turned = degrees_words(other.own_row_tall, 0), degrees_words(other.row_tall, 0)
    if plan.orientation == "portrait":
        ratio = other.own_row_tall / other.row_tall
        return (
            f"Upright a row is {own} degrees high, lying it would be {turned}: {ratio:.1f} times the pixels "
            f"up and down for each row. This view takes {now} upright, {then} lying; the picture is the same."
        )
    return (
        f"Lying a row is {own} degrees high, upright it would be {turned}. This view takes {now} lying, "
        f"{then} upright; the picture is the same."
    )


def _picture(plan: ShootPlan, figures: Figures, shooting: Shooting, units: Units) -> Iterator[str]:
    shot = plan.frames * plan.sensor.megapixels
    text = f"{pixels_words(plan.width_px, plan.height_px)} pixels, {plan.projection} projection, "
    yield text + f"{plan.pixels_per_degree:,.0f} pixels per degree."
    if plan.frames > 1:
        share = 100.0 * plan.megapixels / shot
        yield (
            f"{megapixels_words(plan.megapixels)} of the {megapixels_words(shot)} shot ({share:.0f} %); "
            "overlaps and what lies outside the view take the rest."
        )
    far = shooting.viewing_distance_m
    yield (
        f"At {figures.print.ppi:.0f} pixels per inch the print is {print_words(figures.print, units)}. "
        f"Seen from {distance_words(far)} the eye needs {figures.print_far.ppi:.0f} (1 minute of arc): up to "
        f"{print_words(figures.print_far, units)}."
    )
    yield (
        f"At {distance_words(FAR_M)} one pixel is {small_words(figures.pixel_far_m * 1e3)} wide. A longer "
        "lens makes it finer; how large far peaks stand against what is near depends on where you stand, "
        "with any lens."
    )


def _files(figures: Figures) -> Iterator[str]:
    yield (
        f"TIFF, 16 bits: {bytes_words(figures.tiff_bytes)} uncompressed; as stitched, with coverage, "
        f"{bytes_words(figures.stitched_bytes)}."
    )
    fits = [f.name for f in figures.formats if f.holds]
    yield f"Formats that hold it: {list_words(fits)}." if fits else "No common format holds it whole."
    for fit in figures.formats:
        if not fit.holds:
            certain = "would hold it only compressed" if fit.fits == "if compressed" else "does not hold it"
            yield f"{fit.name} {certain}: {fit.why}."
    yield (
        f"On the card: {count_words(figures.files, 'file')}, a marker frame at the end counted, about "
        f"{bytes_words(figures.card.raw_bytes)} raw, {bytes_words(figures.card.jpeg_bytes)} as fine JPEG."
    )


def _lens(plan: ShootPlan, figures: Figures, shooting: Shooting) -> Iterator[str]:
    sharp, aperture = figures.sharpness, f"f/{shooting.f_number:g}"
    if figures.close is not None and figures.close[0] < figures.frame_wide * 0.998:
        wide, tall = figures.close
        yield (
            f"Focused at {distance_words(sharp.focus_m)} a frame sees {degrees_words(wide)} x "
            f"{degrees_words(tall)} degrees only"
            + (
                f", and neighbours share {share_words(figures.overlap_close)}."
                if figures.overlap_close
                else "."
            )
        )
    far = "infinity" if math.isinf(sharp.depth.far_m) else distance_words(sharp.depth.far_m)
    what = "the hyperfocal distance, " if shooting.focus_m is None else ""
    yield (
        f"At {aperture} focused at {what}{distance_words(sharp.focus_m)}, all is sharp to "
        f"{sharp.circle_px:.0f} pixels from {distance_words(sharp.depth.near_m)} to {far}."
        + ("" if shooting.focus_m is None else f" Hyperfocal distance: {distance_words(sharp.hyperfocal_m)}.")
    )
    near = shooting.nearest_m
    if near is not None and sharp.f_number_needed is not None:
        if sharp.f_number_needed <= shooting.f_number:
            yield f"That reaches from the nearest thing at {distance_words(near)} to infinity."
        else:
            yield (
                f"From the nearest thing at {distance_words(near)} to infinity takes f/"
                f"{sharp.f_number_needed:.2g} or higher, or a second series focused nearer."
            )
    diffraction = (
        f"Diffraction at {aperture}: a disc {sharp.airy_px:.1f} pixels wide, "
        f"{100.0 * sharp.contrast:.0f} % of the contrast left in the finest detail"
    )
    wide_disc = sharp.airy_px > 2.0
    yield diffraction + (
        f"; below f/{sharp.f_number_of_two_px:.2g} it hardly shows." if wide_disc else "; it hardly shows."
    )
    if figures.near_limit_m is not None:
        text = (
            f"With the entrance pupil within {shooting.rail_error_mm:g} mm of the axis, whatever is farther "
            f"than {distance_words(figures.near_limit_m)} stays free of parallax (1 pixel)."
        )
        if near is not None and figures.rail_allowed_mm is not None:
            text += (
                f" For {distance_words(near)} set the rail to within {small_words(figures.rail_allowed_mm)}."
            )
        yield text


def _time(plan: ShootPlan, figures: Figures, shooting: Shooting) -> Iterator[str]:
    each = f"{shooting.seconds_a_frame:g} s a frame"
    if shooting.exposures > 1:
        each += f", {shooting.exposures} exposures at each stop"
    text = f"{duration_words(figures.sweep.duration_s)} at {each}"
    if len(plan.rows) > 1:
        text += "; a frame and its neighbour in the next row are up to "
        text += f"{duration_words(figures.sweep.between_rows_s)} apart"
    yield text + "."
    motion = moving_words(figures, shooting)
    if motion is not None:
        yield motion


def moving_words(figures: Figures, shooting: Shooting) -> str | None:
    """How far clouds move between frames; None where that is not asked."""
    beside = figures.beside or figures.between_rows
    if beside is None:
        return None
    rows = figures.between_rows if figures.beside is not None else None
    speed = f"{shooting.cloud_speed_m_s:.3g} m/s, {distance_words(shooting.cloud_distance_m)} away"
    return motion_words(f"What crosses at {speed},", beside, rows)


def _light(told: ToldPlan) -> Iterator[str]:
    if told.light is not None:
        yield from light_words(told.light)
    elif told.day:
        yield from told.day
        yield "To hold the sun against the view, give the time of the first frame too."
    else:
        yield "The light over the shoot is told where place and time are given."


def light_words(light: PlanLight) -> Iterator[str]:
    """Sun, sky, twilight and moon over a sweep, in sentences."""
    if light.over is not None:
        yield from sun_words(light.over, light.place)
    falling = falling_light_words(light.track)
    if falling is not None:
        yield falling
    polariser = None if light.sky is None else polariser_words(light.sky)
    if polariser is not None:
        yield polariser
    yield from day_words(light.day, light.place)
    yield moon_day_words(light.moon_day, light.place)
    yield (
        TRUE_BEARINGS
        if light.over is not None
        else "To hold the sun against the view, give the view's bearing too."
    )


def _section(title: str, sentences: Sequence[str] | Iterator[str], width: int) -> Iterator[str]:
    yield title
    for sentence in sentences:
        yield from paragraph(sentence, width, "  ", "    ")
