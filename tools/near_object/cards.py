"""Cards of real sets and a hand, sorted by weights that saw neither the hand nor the sets.

    python tools/near_object/cards.py

Every card holds three sets of photographs, frames of one hand, framed anew each time as the set next to it is
held, and two photographs by others as strays. It is sorted with weights fitted without that hand and without
those sets. What is printed: how many of the hands were found to be markers, and what else was taken for one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
from fit import fit_weights, samples, training_pictures
from pictures import DATA, HAND_PLACES, Picture, look, others, photographs, varied

from belvedere.capture.card import Card, Shot
from belvedere.capture.frame import Exposure, Metadata
from belvedere.capture.glance import Glance
from belvedere.capture.metadata import read_metadata
from belvedere.survey.appearance.marker_look import marker_look
from belvedere.survey.appearance.near_weights import NearWeights
from belvedere.survey.sorting.look import LONG_SIDE_PX, Depth, Look, look_at
from belvedere.survey.sorting.sort import sort_card
from belvedere.survey.sorting.sorted_card import SortedCard

_STARTED = datetime(2026, 1, 1, 9)
_CLOSE = 960


@dataclass(frozen=True)
class Laid:
    """A frame on a card: its picture, whether hand, scene or stray, of which set, and its tags."""

    picture: Picture
    kind: str
    part: str
    metadata: Metadata


def sets() -> dict[str, list[tuple[Picture, Metadata]]]:
    """The sets of scenes, in the order their names count."""
    out = {}
    for folder in sorted(p for p in (DATA / "real").iterdir() if p.is_dir()):
        files = sorted(folder.iterdir(), key=lambda p: (len(p.name), p.name))
        files = [f for f in files if f.name != "bk-and-manhattan-bridge-3.jpg"]  # a stranger
        out[folder.name] = [
            (Picture(look(f, _CLOSE), None, (folder.name,), "scene", f.name), read_metadata(f)) for f in files
        ]
    return out


def framed(picture: Picture, metadata: Metadata, rng: np.random.Generator) -> Picture:
    """A photograph as the camera of a frame would have shot it: cut to its shape, about the hand in it."""
    height, width = picture.image.shape[:2]
    wide = metadata.width / metadata.height
    w, h = (width, round(width / wide)) if width / height < wide else (round(height * wide), height)
    x0, y0, x1, y1 = HAND_PLACES.get(picture.name, (0.0, 0.0, 1.0, 1.0))
    middle = ((x0 + x1) / 2.0 + rng.uniform(-0.05, 0.05)) * width, ((y0 + y1) / 2.0) * height
    x = int(np.clip(round(middle[0] - w / 2), 0, width - w))
    y = int(np.clip(round(middle[1] - h / 2), 0, height - h))
    part = np.s_[y : y + h, x : x + w]
    cover = None if picture.cover is None else picture.cover[part]
    cut = replace(picture, image=picture.image[part], cover=cover)
    again = varied(cut, rng)
    scale = 704.0 / max(again.image.shape[:2])
    return replace(again, image=np.asarray(cv2.resize(again.image, None, fx=scale, fy=scale), dtype=np.uint8))


def lay_card(
    hand: Picture,
    own: Sequence[list[tuple[Picture, Metadata]]],
    strays: Sequence[Picture],
    layout: str,
    seed: int,
) -> list[Laid]:
    """A card's frames in the order shot.

    Parameters
    ----------
    layout : "both ends", "one end" or "forgotten"
        A hand before and after every set; before every set; or one for the whole card.
    """
    rng = np.random.default_rng([seed, 7])
    now = _STARTED
    out: list[Laid] = []

    def press(picture: Picture, kind: str, part: str, metadata: Metadata, pause_s: float) -> None:
        nonlocal now
        now += timedelta(seconds=pause_s * float(rng.uniform(0.8, 1.2)))
        tags = replace(
            metadata,
            make="Quenlith",
            model="Q24",
            serial="1",
            lens=None,
            focal_plane_px_per_mm=None,
            taken=now,
        )
        out.append(Laid(picture, kind, part, tags))

    for k, frames in enumerate(own):
        tags = frames[0][1]
        if layout != "forgotten" or k == 1:
            press(framed(hand, tags, rng), "hand", "", tags, 60.0)
        for n, (picture, metadata) in enumerate(frames):
            press(picture, "scene", picture.held_out_with[0], metadata, 8.0 if n == 0 else 3.0)
        if layout == "both ends":
            press(framed(hand, frames[-1][1], rng), "hand", "", frames[-1][1], 8.0)
        if k < len(strays):
            press(framed(strays[k], tags, rng), "stray", "", tags, 30.0)
    return out


def place_of(n: int) -> str:
    """Path of the n-th frame under the card."""
    return f"DCIM/100QUENL/QL__{n + 1:04d}.JPG"


def sorted_with(
    laid: Sequence[Laid], weights: NearWeights, cache: dict[tuple[int, Depth], Look]
) -> SortedCard:
    """Sort a laid card; what a picture shows is kept in `cache`, how it looks the weights tell."""
    shots = [
        Shot(Exposure(Path("card") / place_of(n), frame.metadata), None, place_of(n), n + 1)
        for n, frame in enumerate(laid)
    ]

    def see(i: int, depth: Depth) -> Look | None:
        if depth == "embedded":
            return None
        image = laid[i].picture.image
        scale = min(1.0, LONG_SIDE_PX[depth] / max(image.shape[:2]))
        small = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        image = np.asarray(small, dtype=np.uint8)
        key = id(laid[i].picture), depth
        if key not in cache:
            cache[key] = look_at(Glance(image, "reduced"), laid[i].metadata, depth)
        return cache[key] if depth == "close" else replace(cache[key], marker=marker_look(image, weights))

    return sort_card(Card(Path("card"), tuple(shots)), see)


def judge(laid: Sequence[Laid], found: SortedCard) -> tuple[Counter[str], list[str]]:
    """Counts, and in words what went wrong."""
    index = {place_of(n): n for n in range(len(laid))}
    why = {index[e.file]: e.why for e in (*found.markers, *found.strays)}
    markers = {index[m.file] for m in found.markers}
    series = {frozenset(index[f] for f in s.frames) for s in found.series}
    counts: Counter[str] = Counter()
    words = []
    for n, frame in enumerate(laid):
        counts[frame.kind] += 1
        counts[f"{frame.kind} as marker"] += n in markers
        if (n in markers) != (frame.kind == "hand"):
            words.append(f"    {frame.picture.name}, a {frame.kind}: {why.get(n, 'in a series')}")
    for name in {f.part for f in laid if f.kind == "scene"}:
        counts["set"] += 1
        counts["set whole"] += frozenset(n for n, f in enumerate(laid) if f.part == name) in series
    return counts, words


def main() -> None:
    every = sets()
    names = sorted(every)
    hands = [p for p in photographs() if p.kind == "hand"]
    strays = others()
    learnt = samples(training_pictures())
    cache: dict[tuple[int, Depth], Look] = {}
    total: Counter[str] = Counter()
    kept = []  # what was laid stays alive, so that ids stay theirs
    for h, hand in enumerate(hands):
        chosen = [names[(2 * h + 3 * k) % len(names)] for k in range(3)]
        weights = fit_weights([s for s in learnt if not {hand.name, *chosen} & set(s.held_out_with)])
        for j, layout in enumerate(("both ends", "forgotten")):
            apart = [strays[(2 * h + j + k) % len(strays)] for k in range(2)]
            laid = lay_card(hand, [every[n] for n in chosen], apart, layout, 10 * h + j)
            kept.append(laid)
            counts, words = judge(laid, sorted_with(laid, weights, cache))
            total += counts
            print(f"{hand.name}, {layout}: {counts['hand as marker']} of {counts['hand']}", *words, sep="\n")
    for what in ("hand", "scene", "stray"):
        print(f"{total[f'{what} as marker']} of {total[what]} {what} frames are markers")
    print(f"{total['set whole']} of {total['set']} sets are one series each")


if __name__ == "__main__":
    main()
