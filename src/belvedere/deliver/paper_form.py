"""All that a sheet's file depends on beside its rows, whatever its format."""

from __future__ import annotations

from dataclasses import dataclass

from belvedere.deliver.panels import Panel
from belvedere.deliver.paper_profile import PaperProfile


@dataclass(frozen=True)
class PaperForm:
    """What `PaperTiff` and `PaperPdf` are given.

    Parameters
    ----------
    panel : Panel
        What is printed on the sheet.
    paper : PaperProfile
        What the codes are of.
    bits : int
        8 or 16 a sample.
    ppi : float
    rows : int
        Grid rows a strip; the last may be lower.
    software, title : str
        As the file names them.
    """

    panel: Panel
    paper: PaperProfile
    bits: int
    ppi: float
    rows: int
    software: str
    title: str
