"""Frames that could not be placed because they are markers and no frames of the set."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from belvedere.capture.frame_source import FrameSource
from belvedere.survey.appearance.marker_look import MarkerLook, marker_look
from belvedere.survey.checking.checked import Checked
from belvedere.survey.checking.finding import Finding
from belvedere.survey.checking.frame_words import frame_words

_LONG_SIDE_PX = 320  # of the copy that is looked at, at least
_OF_APPEARANCE = ("stray", "featureless")  # kinds that a marker frame brings about
_SURE = 0.8  # of the evidence; a plain frame that is one of the set must not be passed over


def tell_markers(checked: Checked, findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """The findings, with those that ask for a marker frame to be shot again turned into one note each.

    Only frames that could not be placed are looked at. An over-exposed white frame is no marker: it may have
    been meant to show something.
    """
    looks: dict[int, MarkerLook] = {}
    out: list[Finding] = []
    for finding in findings:
        if finding.kind not in _OF_APPEARANCE or len(finding.frames) != 1:
            out.append(finding)
            continue
        (i,) = finding.frames
        first = i not in looks
        if first:
            looks[i] = marker_look(_small(checked.source, i))
        if checked.alignment.frames[i].used or not _is_marker(looks[i]):
            out.append(finding)
        elif first:
            out.append(_note(checked, i, looks[i]))
    return tuple(out)


def _is_marker(look: MarkerLook) -> bool:
    return look.kind not in ("scene", "blank") and look.strength >= _SURE


def _note(checked: Checked, i: int, look: MarkerLook) -> Finding:
    words = (
        f"{frame_words(checked.frames, i)} looks like a marker frame ({look.why}) and is left out; if it was "
        "meant to be a frame of the set, shoot it again"
    )
    return Finding("stray", "note", (i,), words, {"marker_strength": look.strength})


def _small(source: FrameSource, frame: int) -> NDArray[np.uint8]:
    """The smallest copy of a frame that has its long side, as 8-bit codes."""
    fit = [n for n in range(source.levels(frame)) if max(source.size(frame, n)) >= _LONG_SIDE_PX]
    image = source.whole(frame, fit[-1] if fit else 0)
    if image.dtype == np.uint8:
        return np.asarray(image, dtype=np.uint8)
    return (image >> 8).astype(np.uint8)
