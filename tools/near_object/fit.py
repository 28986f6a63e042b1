"""Fit the weights that tell an object close to the lens from a scene, and judge them on what they never saw.

    python tools/near_object/fit.py [--simulated]

Prints the lines of src/belvedere/survey/appearance/near_weights.py, and how many photographs are told rightly
by these weights, by weights fitted without the hand in question, without any photograph of a hand, and
without the set of scenes in question. With --simulated also the markers of the demo's cards, which serve no
fit. Needs the photographs of shared/data beside the repository; takes some minutes.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from pictures import Picture, drawn_hands, drawn_scenes, others, photographs, variations, walls

from belvedere.demo.card_plan import plan_card
from belvedere.demo.cards import CARDS, card_light
from belvedere.demo.render import expose_light
from belvedere.survey.appearance.finger_strips import find_strips, outlines
from belvedere.survey.appearance.marker_look import marker_look
from belvedere.survey.appearance.near_evidence import body_cues, fineness, flat_bodies, strip_cues
from belvedere.survey.appearance.near_object import chance, frame_cues
from belvedere.survey.appearance.near_weights import NearWeights
from belvedere.survey.appearance.small_frame import small_frame

# What part of the whole each kind of picture is; within it, every hand and every set of scenes count alike.
# Near objects are one frame in three: fewer than half, as on cards.
SHARES = {"hand": 0.165, "drawn hand": 0.165, "scene": 0.5628, "drawn scene": 0.1072}
RIDGE = 1e-3  # on weights of cues with spread 1, against a mean log loss
_OF_HAND, _OF_SCENE = 0.8, 0.2  # share that a hand covers of a strip or body that is its own, or the scene's


@dataclass(frozen=True, slots=True)
class Sample:
    """The cues of a picture, and the answers: for the picture, and what covers every strip and body."""

    kind: str
    name: str
    held_out_with: tuple[str, ...]
    plain: bool
    near: bool
    strips: NDArray[np.float64]
    colours: NDArray[np.float64]
    strip_cues: NDArray[np.float64]
    strip_cover: NDArray[np.float64]
    body_cues: NDArray[np.float64]
    body_cover: NDArray[np.float64]
    fineness: float

    def cues(self, weights: NearWeights) -> NDArray[np.float64]:
        """Cues of the frame."""
        return frame_cues(self.strips, self.colours, self.strip_cues, self.body_cues, self.fineness, weights)

    def odds(self, weights: NearWeights) -> float:
        """Log odds that something is close to the lens."""
        return float(weights.frame[0] + self.cues(weights) @ weights.frame[1:])


def training_pictures() -> list[Picture]:
    """Everything the weights are fitted on."""
    shot = photographs()
    scenes = [p for p in shot if p.kind == "scene"]
    drawn = drawn_scenes((11, 12))
    indoors = walls(150, 0)
    hands = drawn_hands(scenes, 400, 0) + drawn_hands(drawn, 200, 1) + drawn_hands(indoors, 250, 2)
    more = [v for p in shot for v in variations(p, 16 if p.kind == "hand" else 5)]
    return [*shot, *more, *hands, *drawn, *indoors]


def samples(pictures: Sequence[Picture]) -> list[Sample]:
    """The cues of pictures."""
    return [_sample(p) for p in pictures]


def _sample(picture: Picture) -> Sample:
    small = small_frame(picture.image)
    height, width = small.lab.shape[:2]
    strips = find_strips(outlines(small), width, height)
    cues, colours = strip_cues(small, strips)
    cover = np.zeros((height, width), np.float32)
    if picture.cover is not None:
        cover = cv2.resize(np.ascontiguousarray(picture.cover), (width, height), interpolation=cv2.INTER_AREA)
    x, y, _, length, dx, dy = (column[:, None] for column in strips.T[:6])
    down = length * np.linspace(0.1, 1.0, 8)
    column = np.clip(np.rint(x - dx * down), 0, width - 1).astype(np.intp)
    row = np.clip(np.rint(y - dy * down), 0, height - 1).astype(np.intp)
    return Sample(
        picture.kind,
        picture.name,
        picture.held_out_with,
        picture.plain,
        picture.cover is not None,
        strips,
        colours,
        cues,
        np.asarray(cover[row, column].mean(axis=1), dtype=np.float64),
        body_cues(small),
        np.array([float(cover[region].mean()) for region in flat_bodies(small)]),
        fineness(small),
    )


def fit_weights(learnt: Sequence[Sample]) -> NearWeights:
    """Fit strips and bodies first, by what covers them, then frames by what their strips and bodies say."""
    each = _shares(learnt)
    strip = _fit_parts([(s, s.strip_cues, s.strip_cover) for s in learnt], each)
    body = _fit_parts([(s, s.body_cues, s.body_cover) for s in learnt], each)
    parts = NearWeights(strip, body, np.zeros(6))
    cues = np.array([s.cues(parts) for s in learnt])
    near = np.array([float(s.near) for s in learnt])
    return NearWeights(strip, body, logistic(cues, near, each))


def _shares(learnt: Sequence[Sample]) -> NDArray[np.float64]:
    """How much each picture counts."""
    groups = [(s.kind, s.held_out_with[0] if s.kind in ("hand", "scene") else "") for s in learnt]
    members, of_kind = Counter(groups), Counter(kind for kind, _ in set(groups))
    return np.array([SHARES[g[0]] / of_kind[g[0]] / members[g] for g in groups])


def _fit_parts(
    parts: Sequence[tuple[Sample, NDArray[np.float64], NDArray[np.float64]]], each: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Weights that tell the strips or bodies of hands from those of scenes; either side counts one half."""
    rows, near, weight = [], [], []
    for (sample, cues, cover), share in zip(parts, each, strict=True):
        sure = (cover > _OF_HAND) | ((cover < _OF_SCENE) & (sample.kind != "hand"))
        rows.append(cues[sure])
        near.append((cover[sure] > _OF_HAND).astype(np.float64))
        weight.append(np.full(np.count_nonzero(sure), share / max(len(cues), 1) ** 0.5))
    is_near, counts = np.concatenate(near), np.concatenate(weight)
    for side in (0.0, 1.0):
        counts[is_near == side] /= counts[is_near == side].sum()
    return logistic(np.concatenate(rows), is_near, counts)


def logistic(
    cues: NDArray[np.float64], near: NDArray[np.float64], counts: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Ridge-regularised logistic regression by Newton's method: the constant, then a weight for each cue."""
    counts = counts / counts.sum()
    middle = counts @ cues
    spread = np.sqrt(counts @ (cues - middle) ** 2) + 1e-9
    scaled = np.column_stack([np.ones(len(cues)), (cues - middle) / spread])
    ridge = RIDGE * np.diag([0.0, *np.ones(cues.shape[1])])
    found = np.zeros(scaled.shape[1])
    for _ in range(60):
        p = chance(scaled @ found)
        slope = scaled.T @ (counts * (p - near)) + ridge @ found
        curve = (scaled * (counts * p * (1.0 - p))[:, None]).T @ scaled + ridge
        step = np.linalg.solve(curve, slope)
        found -= step * min(1.0, 5.0 / max(float(np.abs(step).max()), 1e-12))
        if float(np.abs(step).max()) < 1e-9:
            break
    weights = found[1:] / spread
    return np.concatenate([[found[0] - weights @ middle], weights])


def held_out_odds(learnt: Sequence[Sample], kind: str) -> dict[int, float]:
    """Log odds of every sample of a kind of photograph, by weights fitted without its hand or its set."""
    out: dict[int, float] = {}
    for group in sorted({s.held_out_with[0] for s in learnt if s.kind == kind}):
        weights = fit_weights([s for s in learnt if group not in s.held_out_with])
        out |= {
            i: s.odds(weights) for i, s in enumerate(learnt) if s.kind == kind and group in s.held_out_with
        }
    return out


def _print_counts(
    title: str, learnt: Sequence[Sample], odds: Callable[[int], float], kinds: Sequence[str]
) -> None:
    parts = []
    for kind in kinds:
        for plain, what in ((True, "as shot"), (False, "varied")):
            own = [odds(i) for i, s in enumerate(learnt) if s.kind == kind and s.plain == plain]
            if own:
                parts.append(f"{sum(o > 0.0 for o in own)} of {len(own)} {kind}s {what}")
    print(f"{title}: near objects are {', '.join(parts)}", flush=True)


def _print_lowest(learnt: Sequence[Sample], odds: dict[int, float], count: int, sign: float) -> None:
    own = sorted((sign * o, learnt[i].name) for i, o in odds.items() if learnt[i].plain)[:count]
    print("    " + ", ".join(f"{name} {sign * o:+.1f}" for o, name in own))


def _print_simulated() -> None:
    """Markers and scenes of the demo's cards as the whole look judges them."""
    counts: Counter[tuple[str, bool]] = Counter()
    for seed in (0, 1, 2):
        for card in CARDS.values():
            for i, shot in enumerate(plan_card(card, megapixels=0.06, seed=seed)):
                if shot.marker is None and i % 4:
                    continue
                light = card_light(shot, seed * 1000 + i)
                judged = marker_look(np.asarray(expose_light(shot.spec, shot.shot, light), dtype=np.uint8))
                counts[shot.marker or "scene", judged.strength > 0.5] += 1
    for kind in sorted({k for k, _ in counts}):
        found, missed = counts[kind, True], counts[kind, False]
        print(f"simulated {kind}: {found} of {found + missed} look like markers")


def main() -> None:
    learnt = samples(training_pictures())
    weights = fit_weights(learnt)
    for name in ("strip", "body", "frame"):
        print(f"    {name}=np.array(({', '.join(f'{w:.3f}' for w in getattr(weights, name))})),")
    _print_counts("fitted on all", learnt, lambda i: learnt[i].odds(weights), list(SHARES))
    beyond = samples(others())
    _print_counts("photographs by others", beyond, lambda i: beyond[i].odds(weights), ("scene",))
    without = fit_weights([s for s in learnt if s.kind != "hand"])
    hands = {i: s.odds(without) for i, s in enumerate(learnt) if s.kind == "hand"}
    _print_counts("without any photograph of a hand", learnt, lambda i: hands[i], ("hand",))
    _print_lowest(learnt, hands, 3, 1.0)
    hands = held_out_odds(learnt, "hand")
    _print_counts("without the hand in question", learnt, lambda i: hands[i], ("hand",))
    _print_lowest(learnt, hands, 3, 1.0)
    scenes = held_out_odds(learnt, "scene")
    _print_counts("without the set in question", learnt, lambda i: scenes[i], ("scene",))
    _print_lowest(learnt, scenes, 9, -1.0)
    if "--simulated" in sys.argv[1:]:
        _print_simulated()


if __name__ == "__main__":
    main()
