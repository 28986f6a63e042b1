"""The cards by name, written as a photographer brings them home from the invented place."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from belvedere.demo.card_list import CARDS
from belvedere.demo.card_plan import CardShot, plan_card
from belvedere.demo.card_spec import CardSpec
from belvedere.demo.card_truth import CardTruth, picture_of, sidecar_of, truth_of_card, write_card_truth
from belvedere.demo.marker_frames import marker_light
from belvedere.demo.render import light_of, write_exposure

__all__ = ["CARDS", "card_light", "card_truth", "write_card"]

_EDITS = (  # Extensible Metadata Platform (ISO 16684-1)
    '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description '
    'xmlns:dc="http://purl.org/dc/elements/1.1/" dc:coverage="Vessarin Head"/></rdf:RDF>\n'
)


def card_truth(name: str, *, megapixels: float = 0.4, seed: int = 0) -> CardTruth:
    """The truth of a card without rendering it; see `write_card`."""
    card = _card(name)
    return truth_of_card(card, plan_card(card, megapixels=megapixels, seed=seed), seed)


def write_card(name: str, folder: Path, *, megapixels: float = 0.4, seed: int = 0) -> CardTruth:
    """Shoot one of the cards into a folder: a DCIM tree, and card-truth.json beside it.

    Parameters
    ----------
    name : str
        One of `CARDS`.
    folder : Path
        The card; made if missing.
    megapixels : float
        Million pixels a frame.
    seed : int
        The place, the scatter, the noise and the looks of markers follow from it.

    Raises
    ------
    ValueError
        If there is no such card.
    OSError
        If the folder cannot be written.
    """
    card = _card(name)
    shots = plan_card(card, megapixels=megapixels, seed=seed)
    known = truth_of_card(card, shots, seed)
    folder.mkdir(parents=True, exist_ok=True)
    for i, shot in enumerate(shots):
        path = folder / picture_of(card, shot)
        path.parent.mkdir(parents=True, exist_ok=True)
        write_exposure(shot.spec, shot.shot, card_light(shot, seed * 1000 + i), path)
        if (edits := sidecar_of(card, i, shot)) is not None:
            (folder / edits).write_text(_EDITS, encoding="utf-8")
    write_card_truth(known, folder / "card-truth.json")
    return known


def card_light(shot: CardShot, seed: int) -> NDArray[np.float32]:
    """The light of one shot (height, width, 3) as displayed; `seed` makes the look of a marker."""
    light = light_of(shot.spec, shot.shot)
    if shot.marker is None:
        return light
    spec = shot.spec
    return marker_light(shot.marker, light, spec.focal_mm, spec.focal_px / spec.focal_mm, seed)


def _card(name: str) -> CardSpec:
    if name not in CARDS:
        raise ValueError(f"there is no card named {name!r}; there are {', '.join(CARDS)}")
    return CARDS[name]
