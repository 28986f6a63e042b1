"""Names of series: the photographer's stand, and no two are alike but for case."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest

from belvedere.capture.card import Shot
from belvedere.capture.frame import Exposure, Metadata
from belvedere.survey.sorting.series_file import why_no_folder_name
from belvedere.survey.sorting.series_names import name_series
from belvedere.survey.sorting.series_word import SeriesWord
from belvedere.survey.sorting.word_applied import Found

FOCALS = (50.0, 85.0, None)


def names(said: Mapping[str, str]) -> list[str]:
    """Names of three series of one frame each, "0", "1" and "2"."""
    shots = [
        Shot(Exposure(Path(str(k)), Metadata(60, 40, focal_mm=f)), None, str(k), k)
        for k, f in enumerate(FOCALS)
    ]
    found = [Found(((k,),), ((0,),), (), 1.0, ()) for k in range(len(shots))]
    return name_series(found, shots, SeriesWord(names=said))


def test_names_tell_number_and_focal_length() -> None:
    assert names({}) == ["01-50mm", "02-85mm", "03"]


@pytest.mark.parametrize(
    ("said", "wanted"),
    [
        ({"1": "01-50MM"}, ["01-50mm-again", "01-50MM", "03"]),
        ({"0": "02-85mm", "2": "02-85MM-AGAIN"}, ["02-85mm", "02-85mm-again-again", "02-85MM-AGAIN"]),
        ({"0": "Straße", "1": "harbour"}, ["Straße", "harbour", "03"]),
    ],
)
def test_no_two_names_are_alike_but_for_case_and_the_word_stands(
    said: dict[str, str], wanted: list[str]
) -> None:
    found = names(said)
    assert found == wanted
    assert len({name.casefold() for name in found}) == len(found)
    assert all(why_no_folder_name(name) is None for name in found)
