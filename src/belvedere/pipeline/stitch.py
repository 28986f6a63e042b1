"""The door: from files to one picture."""

from __future__ import annotations

import time

from belvedere.capture.gather import Gathered, gather
from belvedere.compose.report import report_path
from belvedere.errors import NothingToMake
from belvedere.pipeline.budget import MIB, budget_for, default_ceiling
from belvedere.pipeline.heap import give_back_large_arrays
from belvedere.pipeline.heed import heed, with_masks
from belvedere.pipeline.light import in_light
from belvedere.pipeline.lock import held
from belvedere.pipeline.options import StitchOptions
from belvedere.pipeline.outcome import Outcome
from belvedere.pipeline.output import check_not_a_source, check_output, check_replaceable
from belvedere.pipeline.peak_memory import PeakMemory
from belvedere.pipeline.poses import in_poses
from belvedere.pipeline.processors import one_thread_each
from belvedere.pipeline.progress import Progress
from belvedere.pipeline.run import Run
from belvedere.pipeline.word import find_word
from belvedere.pipeline.work_folder import WorkFolder


def stitch(options: StitchOptions, progress: Progress) -> Outcome:
    """Make one picture of a set of frames.

    Every stage leaves its result in the work folder; a run that is stopped goes on from there. The sources
    are only ever read.

    Parameters
    ----------
    options : StitchOptions
    progress : Progress
        Told how far the run is, and what the person should know at once.

    Raises
    ------
    UnreadableFile
        If the person's word cannot be followed.
    NothingToMake
        If no picture can be made from what was given.
    OutputFailed
        If the picture cannot be written.
    WorkFolderBusy
        If another run is making it.
    BelvedereError
        If an option cannot be followed.
    """
    began = time.perf_counter()
    give_back_large_arrays(options.memory_bytes or default_ceiling())
    check_output(options.out, options.kind)
    made = (options.out, options.preview_path, report_path(options.out))
    check_not_a_source(options.sources, made)
    word = find_word(options.out, options.word)
    options = with_masks(options, word)
    gathered = gather(
        options.sources,
        made,
        masks=options.masks,
        as_given=options.in_order_given,
        raw_first=options.kind != "picture",
    )
    gathered = in_poses(gathered, options.poses, find=not options.in_order_given)
    _check_enough(gathered, options)
    options, gathered = in_light(options, gathered)
    heeded = heed(options, word, gathered)
    options, gathered = heeded.options, heeded.gathered
    check_replaceable(options)
    budget = budget_for(gathered.frames, options.memory_bytes, options.workers, options.block)
    if budget.short_bytes:
        progress.note(
            f"one frame alone takes {budget.short_bytes // MIB} MiB more to decode than the memory ceiling "
            "allows; the run goes on and goes over it while it decodes"
        )
    work = WorkFolder(options.work_folder, progress.note)
    with (
        held(work.path),
        PeakMemory() as peak,
        one_thread_each(),
        Run(options, gathered, budget, work, progress, peak, began, heeded.report) as run,
    ):
        return run.go()


def _check_enough(gathered: Gathered, options: StitchOptions) -> None:
    """Raise NothingToMake unless there are two frames."""
    frames = gathered.frames
    if len(frames) >= 2:
        return
    because = "".join(f"; {path}: {why}" for path, why in gathered.unreadable[:3])
    if len(gathered.unreadable) > 3:
        because += f"; and {len(gathered.unreadable) - 3} more"
    where = ", ".join(str(path) for path in options.sources[:3])
    if not frames:
        raise NothingToMake(f"{where}: no frame that can be read{because}")
    raise NothingToMake(
        f"{frames[0].file}: is the only frame{because}. A picture is made of two or more frames that overlap"
    )
