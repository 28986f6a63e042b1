"""Everything a person may say about a stitch, parsed once at the edge."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from belvedere.align.options import AlignOptions
from belvedere.compose.layout import LayoutOptions
from belvedere.compose.seams import SeamOptions
from belvedere.tone.options import ToneOptions

Kind = Literal["picture", "linear-tiff", "linear-dng"]
"""What is made: a picture to look at, or light to be developed, with headroom, as TIFF or as DNG."""


@dataclass(frozen=True, slots=True)
class StitchOptions:
    """What is to be made, of what, and how.

    Parameters
    ----------
    sources : tuple of Path
        Frames, and folders of frames.
    out : Path
        The picture: a TIFF, or a DNG.
    poses : tuple of tuple of Path
        Files among the sources that are exposures of one pose each; empty: told by tags and pictures.
    in_order_given : bool
        The sources are files in the order shot, which no clock overrules.
    preview : bool
        Make only a small JPEG of the whole, OUT.preview.jpg.
    replace : bool
        A file of that name that was not made here may be replaced.
    keep_frames : bool
        Keep the decoded frames in the work folder, which are large, for the next run.
    work : Path or None
        Work folder; None: OUT.work beside the picture.
    word : Path or None
        The person's word; None: OUT.word.json beside the picture, if it is there.
    masks : Path or None
        Folder of the photographer's masks, see `capture.gather`.
    memory_bytes : int or None
        Ceiling of memory; None: see `budget.default_ceiling`.
    workers : int or None
        Most threads; None: one a processor.
    scheduler : str or None
        Address of a Dask scheduler whose workers render the picture; None: threads of this process.
    block : int or None
        Side of the blocks rendered at once, px, a multiple of 512; None: as memory allows.
    kind : Kind
        What is made.
    bits : 8, 16 or 32
        Bits a sample; 32, floating point, of a linear TIFF alone, which never has 8.
    float_brackets : bool
        A linear TIFF of stepped exposures has 32 bits whatever `bits` says: no depth was asked for.
    pixels_per_inch : float
        Print resolution written into the file.
    resolution_share : float or None
        Resolution of the plate as a share of the frames' own, > 0; `layout.pixels_per_radian` is then None.
    lens_start : bool
        Whether distortion and vignetting start from the lens list; `lens_starts` then puts it in `align` and
        `tone`.
    align, tone, layout, seams
        Options of the stages.
    """

    sources: tuple[Path, ...]
    out: Path
    poses: tuple[tuple[Path, ...], ...] = ()
    in_order_given: bool = False
    preview: bool = False
    replace: bool = False
    keep_frames: bool = False
    work: Path | None = None
    word: Path | None = None
    masks: Path | None = None
    memory_bytes: int | None = None
    workers: int | None = None
    scheduler: str | None = None
    block: int | None = None
    kind: Kind = "picture"
    bits: Literal[8, 16, 32] = 16
    float_brackets: bool = False
    pixels_per_inch: float = 300.0
    resolution_share: float | None = None
    lens_start: bool = False
    align: AlignOptions = field(default_factory=AlignOptions)
    tone: ToneOptions = field(default_factory=ToneOptions)
    layout: LayoutOptions = field(default_factory=LayoutOptions)
    seams: SeamOptions = field(default_factory=SeamOptions)

    @property
    def work_folder(self) -> Path:
        """Where stages leave their results."""
        return self.work if self.work is not None else self.out.with_name(self.out.stem + ".work")

    @property
    def preview_path(self) -> Path:
        """The small JPEG of the whole."""
        return self.out.with_name(self.out.stem + ".preview.jpg")
