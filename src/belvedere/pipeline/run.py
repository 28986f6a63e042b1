"""One run over a held work folder: every stage loaded where its key fits, else made and kept."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

import msgspec

from belvedere.align.alignment import Alignment
from belvedere.align.estimate import estimate_alignment
from belvedere.capture.bracket_account import brightness_ev
from belvedere.capture.gather import Gathered
from belvedere.capture.mask import read_mask
from belvedere.capture.primaries import CommonProfile, common_profile, srgb_profile
from belvedere.capture.scene_primaries import scene_primaries
from belvedere.capture.transfer import read_transfer
from belvedere.compose.coverage import measure_coverage
from belvedere.compose.encode import Encoder, PieceEncoder
from belvedere.compose.exif_block import ExifValues, common_values
from belvedere.compose.preview_file import write_preview
from belvedere.compose.report import (
    PictureReport,
    Report,
    WordReport,
    read_report,
    report_path,
    write_report,
)
from belvedere.compose.seams import Seams, estimate_seams
from belvedere.compose.tiff import TiledTiff
from belvedere.errors import UnreadableFile
from belvedere.geometry.plate import Plate
from belvedere.pipeline.account import Made, make_report
from belvedere.pipeline.bracket_notices import bracket_notices
from belvedere.pipeline.bracket_response import merged_response
from belvedere.pipeline.budget import Budget
from belvedere.pipeline.cluster import Cluster
from belvedere.pipeline.code_version import code_versions
from belvedere.pipeline.expected_time import Size, expected_seconds
from belvedere.pipeline.lay_out import lay_out, reduced_notice
from belvedere.pipeline.lens_starts import with_lens_starts
from belvedere.pipeline.light import is_in_scene_light
from belvedere.pipeline.notices import set_notices
from belvedere.pipeline.options import StitchOptions
from belvedere.pipeline.outcome import Outcome
from belvedere.pipeline.peak_memory import PeakMemory
from belvedere.pipeline.product import (
    SmallPicture,
    product,
    screen_encoder,
    software,
)
from belvedere.pipeline.progress import Progress
from belvedere.pipeline.render import render_picture, render_preview
from belvedere.pipeline.results import Layout, PictureFile
from belvedere.pipeline.room_on_disk import check_room
from belvedere.pipeline.scene import Scene, lights, used_cameras
from belvedere.pipeline.schedule import Threads
from belvedere.pipeline.source_set import SourceSet
from belvedere.pipeline.stage_options import options_by_stage
from belvedere.pipeline.stages import STAGES, stage_keys
from belvedere.pipeline.tile_counts import TileCounts
from belvedere.pipeline.watched import Watched
from belvedere.pipeline.work_folder import WorkFolder
from belvedere.tone.estimate import estimate_tone
from belvedere.tone.tone import Response, Tone

T = TypeVar("T")


class Run:
    """One run; see `go`.

    Parameters
    ----------
    options : StitchOptions
    gathered : Gathered
        What was found at the sources.
    budget : Budget
    work : WorkFolder
        Held by this run.
    progress : Progress
    peak : PeakMemory
    began : float
        When the run began, by `time.perf_counter`.
    word : WordReport or None
        The person's word, which is heeded in the options.
    """

    def __init__(
        self,
        options: StitchOptions,
        gathered: Gathered,
        budget: Budget,
        work: WorkFolder,
        progress: Progress,
        peak: PeakMemory,
        began: float,
        word: WordReport | None = None,
    ) -> None:
        self._options = options
        self._budget = budget
        self._work = work
        self._progress = progress
        self._peak = peak
        self._began = began
        self._word = word
        self._sources = SourceSet(gathered, work, budget, progress)
        self._cluster: Cluster | None = None
        self._said = list(gathered.notices)
        self._keys: dict[str, str] = {}
        self._seconds: dict[str, float] = {}

    def __enter__(self) -> Run:
        return self

    def __exit__(self, *_: object) -> None:
        self._progress.close()
        self._sources.close()
        if self._cluster is not None:
            self._cluster.close()

    def go(self) -> Outcome:
        """Make the picture or the preview, or find that it is made."""
        self._identify()
        if not self._options.preview:
            before = self._made_before()
            if before is not None:
                return before
            if self._options.scheduler is not None:  # before the long part: it may not answer
                self._cluster = Cluster(self._options.scheduler)
        self._expect(None)
        check_room(self._sources.frames, self._options)
        self._sources.decode(self._keys["frames"])
        alignment = self._stage("alignment", Alignment, "align", self._align)
        common = self._colours(alignment)
        neutral = None if common.colour is None else common.colour.neutral
        layout = self._stage(
            "plate", Layout, "compose", lambda: lay_out(used_cameras(alignment), self._options)
        )
        if layout.share < 1.0:
            self._say(reduced_notice(layout.plate, layout.share))
        tone = self._stage("tone", Tone, "tone", lambda: self._measure_tone(alignment, common))
        seams = self._stage(
            "seams", Seams, "compose", lambda: self._place_seams(alignment, tone, layout.plate, neutral)
        )
        response = self._response(alignment, tone, common)
        scene = Scene(self._sources.pixels(), alignment, tone, layout.plate, seams, neutral)
        self._expect(layout.plate)
        coverage = measure_coverage(layout.plate, used_cameras(alignment))
        made = Made(
            frames=self._sources.frames,
            exposures=self._sources.exposures,
            accounts=self._sources.accounts,
            alignment=alignment,
            tone=tone,
            plate=layout.plate,
            why=layout.why,
            response=response,
            covered_fraction=coverage.covered_fraction,
            holes=coverage.holes,
            unreadable=tuple((path.as_posix(), why) for path, why in self._sources.unreadable),
            word=self._word,
            notices=(
                *self._said,
                *self._sources.notices,
                *bracket_notices(self._sources.frames, self._sources.accounts),
                *set_notices(self._sources.frames, common),
            ),
        )
        if self._options.preview:
            return self._preview(scene, made, common)
        return self._picture(scene, made, common, seams)

    def _expect(self, plate: Plate | None) -> None:
        """Tell the progress how long this usually takes, better once the plate is known."""
        shown = sum(frame.metadata.width * frame.metadata.height for frame in self._sources.frames) / 1e6
        drawn = None if plate is None else plate.width * plate.height / 1e6
        seconds = expected_seconds(
            Size(len(self._sources.frames), shown, drawn), preview=self._options.preview
        )
        self._progress.expect(seconds)

    # What is there

    def _identify(self) -> None:
        """Hash the sources and work out every stage's key."""
        self._sources.hash()
        self._options, said = with_lens_starts(self._options, self._sources.frames)
        self._said += said
        by_stage = options_by_stage(self._options, self._sources.frames)
        rooms = {room for stage in STAGES for room in stage.rooms}
        self._keys = stage_keys(self._sources.identities, by_stage, code_versions(sorted(rooms)))

    def _made_before(self) -> Outcome | None:
        """The outcome of an earlier run of the same whose picture is still as it left it."""
        out = self._options.out
        kept = self._work.load("picture", self._keys["picture"], PictureFile)
        if kept is None:
            return None
        try:
            now = out.stat()
            report = read_report(report_path(out))
        except (OSError, UnreadableFile):
            return None
        if (now.st_size, now.st_mtime_ns) != (kept.file_bytes, kept.modified_ns):
            return None
        if report.word != self._word:  # other words, the same meaning
            report = msgspec.structs.replace(report, word=self._word)
            write_report(report, report_path(out))
        return Outcome(out, report, made_before=True)

    @property
    def _in_scene_light(self) -> bool:
        return is_in_scene_light(self._sources.frames)

    def _colours(self, alignment: Alignment) -> CommonProfile:
        """The colours the set is worked in; in scene light those of the first used frame's camera."""
        frames = self._sources.frames
        if not self._in_scene_light:
            return common_profile(frames)
        return scene_primaries(frames, next(iter(alignment.used), 0))

    def _say(self, notice: str) -> None:
        """Tell the person at once, and again in the report."""
        self._progress.note(notice)
        self._said.append(notice)

    def _spend(self, part: str, seconds: float) -> None:
        self._seconds[part] = self._seconds.get(part, 0.0) + seconds

    # The stages

    def _stage(self, stage: str, kind: type[T], part: str, make: Callable[[], T]) -> T:
        """A stage's result: as an earlier run left it, or made now and kept."""
        found = self._work.load(stage, self._keys[stage], kind)
        if found is not None:
            return found
        self._sources.pixels()
        if stage != "plate":  # a moment's work, not worth a line
            self._progress.begin(stage)
        began = time.perf_counter()
        found = make()
        self._work.save(stage, self._keys[stage], found)
        if stage != "plate":
            self._progress.finish()
        self._spend(part, time.perf_counter() - began)
        return found

    def _align(self) -> Alignment:
        run = Watched(Threads(self._budget.aligners), self._progress.advance)
        sources = self._sources
        return estimate_alignment(
            sources.pixels(), sources.frames, self._options.align, run, names=sources.names
        )

    def _measure_tone(self, alignment: Alignment, common: CommonProfile) -> Tone:
        transfers = [read_transfer(frame.metadata) for frame in self._sources.frames]
        return estimate_tone(
            self._sources.pixels(),
            self._sources.frames,
            alignment,
            transfers,
            self._options.tone,
            common.to_common,
        )

    def _place_seams(
        self, alignment: Alignment, tone: Tone, plate: Plate, neutral: tuple[float, float, float] | None
    ) -> Seams:
        own = [light for light in lights(alignment, tone, neutral) if light is not None]
        masks = [read_mask(self._sources.frames[i]) for i in alignment.used]
        return estimate_seams(
            self._sources.pixels(),
            used_cameras(alignment),
            own,
            plate,
            self._options.seams,
            frames=alignment.used,
            masks=masks if any(mask is not None for mask in masks) else None,
            run=Threads(self._budget.workers),
        )

    # What is made of them

    def _response(self, alignment: Alignment, tone: Tone, common: CommonProfile) -> Response:
        """The response the picture is encoded by: of the first used frame that carries its very profile."""
        for i in alignment.used:
            own = tone.frames[i]
            if own is not None and common.carried[i] and self._sources.frames[i].metadata.curve is None:
                return tone.responses[own.response]
        return merged_response(common.transfer, [self._sources.accounts[i] for i in alignment.used])

    def _exif(self, alignment: Alignment, common: CommonProfile) -> ExifValues:
        values = common_values(
            [self._sources.frames[i].metadata for i in alignment.used], len(self._sources.frames)
        )
        shown_in_srgb = common.profile == srgb_profile() and self._options.kind == "picture"
        return replace(values, color_space=1) if shown_in_srgb else values

    def _preview(self, scene: Scene, made: Made, common: CommonProfile) -> Outcome:
        options = self._options
        self._progress.begin("picture")
        run = Threads(self._budget.workers)
        brighter = self._brightness_ev(made.alignment)
        encoder: PieceEncoder = Encoder(made.response.to_linear, 8, 2.0**brighter)
        if common.colour is not None:
            encoder = screen_encoder(common.colour, brighter)
        rgb, covered, _ = render_preview(scene, encoder, run, self._progress.advance)
        self._spend("compose", self._progress.finish())
        began = time.perf_counter()
        write_preview(
            options.preview_path,
            rgb,
            common.profile if common.colour is None else srgb_profile(),
            self._exif(made.alignment, common),
            pixels_per_inch=options.pixels_per_inch,
            software=software(),
        )
        self._spend("write", time.perf_counter() - began)
        report = self._report(replace(made, covered_fraction=covered), None)
        if not options.out.exists():  # else the report there is the picture's
            write_report(report, report_path(options.out))
        elif not options.keep_frames:
            self._sources.close()
            self._work.clear_frames()
        return Outcome(options.preview_path, report)

    def _picture(self, scene: Scene, made: Made, common: CommonProfile, seams: Seams) -> Outcome:
        options, work = self._options, self._work
        plate, key = scene.plate, self._keys["picture"]
        work.forget("picture")
        self._progress.begin("picture")
        began = time.perf_counter()
        exif, brighter = self._exif(made.alignment, common), self._brightness_ev(made.alignment)
        what = product(options, scene, common, made.response, exif, self._small(scene), brighter)
        with (
            TileCounts(work.path / "picture.counts.txt", key) as counts,
            TiledTiff.resume(
                options.out,
                what.form,
                journal=work.path / "picture.tiles",
                covered_fraction=seams.owned_fraction,
                key=key,
            ) as tiff,
        ):
            spent = render_picture(
                scene,
                tiff,
                counts,
                what.encoder,
                self._budget.block,
                self._cluster or Threads(self._budget.workers),
                self._progress.advance,
                what.code,
            )
        self._progress.finish()
        seconds = time.perf_counter() - began
        writing = spent.encode_s / max(spent.encode_s + spent.render_s, 1e-9)
        self._spend("compose", seconds * (1.0 - writing))
        self._spend("write", seconds * writing)
        left = options.out.stat()
        picture = PictureReport(
            file=options.out.name,
            kind=options.kind,
            bits=options.bits,
            pixels_per_inch=options.pixels_per_inch,
            file_bytes=left.st_size,
            over_white_fraction=spent.over_white / max(spent.covered, 1),
            headroom=what.headroom,
            brightness_ev=brighter,
            camera=what.camera,
        )
        covered = spent.covered / (plate.width * plate.height)
        report = self._report(replace(made, covered_fraction=covered), picture)
        write_report(report, report_path(options.out))
        work.save("picture", key, PictureFile(left.st_size, left.st_mtime_ns))
        self._sources.close()
        if not options.keep_frames:
            work.clear_frames()
        return Outcome(options.out, report)

    def _brightness_ev(self, alignment: Alignment) -> float:
        """How much brighter than the frames' light their picture is."""
        return brightness_ev([self._sources.accounts[i] for i in alignment.used])

    def _small(self, scene: Scene) -> SmallPicture:
        """Draws the whole small."""
        run = Threads(self._budget.workers)
        return lambda encoder: render_preview(scene, encoder, run, lambda _: None)[0]

    def _report(self, made: Made, picture: PictureReport | None) -> Report:
        self._seconds["decode"] = self._sources.decode_s
        self._seconds["total"] = time.perf_counter() - self._began
        return make_report(made, self._seconds, self._peak.look(), picture, self._options.out)
