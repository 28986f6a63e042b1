"""A card planned before any pixel: every press of the release with its pose, moment and file name."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from belvedere.demo.card_spec import CardSpec, Marker, Part, Roll, Stray
from belvedere.demo.marker_frames import MarkerKind
from belvedere.demo.poses import Shot, plan_shots
from belvedere.demo.spec import SetSpec

_MARKER_S = 6.0  # from the last frame of a row to the marker after it, and on to the next row
_ODD_S = 1.6
_LAST_NUMBER = 9999  # CIPA DC-009 (DCF): file numbers run from 0001 to 9999


@dataclass(frozen=True, slots=True)
class CardShot:
    """One press of the release.

    Parameters
    ----------
    spec : SetSpec
        The set it is shot with.
    shot : Shot
        Its pose and exposure; seconds count from `spec.started_s`.
    what : "frame", "marker" or "stray"
        What it is.
    roll : int
        Which roll of the card.
    place : str
        Its file's path under the card without the suffix.
    part : int
        Which part of the roll.
    marker : MarkerKind or None
        What a marker shows.
    why : str
        Why a stray is one.
    """

    spec: SetSpec
    shot: Shot
    what: Literal["frame", "marker", "stray"]
    roll: int
    place: str
    part: int
    marker: MarkerKind | None = None
    why: str = ""

    @property
    def seconds(self) -> float:
        """True moment, s after the demo's first moment."""
        return self.spec.started_s + self.shot.seconds


def plan_card(card: CardSpec, *, megapixels: float, seed: int) -> tuple[CardShot, ...]:
    """Plan a card: roll after roll, each in the order shot."""
    out: list[CardShot] = []
    for index, roll in enumerate(card.rolls):
        out += _plan_roll(card, roll, index, megapixels, seed)
    return tuple(out)


def _plan_roll(card: CardSpec, roll: Roll, index: int, megapixels: float, seed: int) -> list[CardShot]:
    rng = np.random.default_rng([seed, index, 0xCA4D])
    specs = [_spec_of(part, card, roll, index, k, megapixels, seed) for k, part in enumerate(roll.parts)]
    now = roll.started_s
    looking: tuple[SetSpec, Shot] | None = None
    out: list[CardShot] = []

    def press(
        spec: SetSpec, shot: Shot, what: Literal["frame", "marker", "stray"], part: int,
        marker: MarkerKind | None = None, why: str = "",
    ) -> None:  # fmt: skip
        out.append(CardShot(spec, shot, what, index, _place(roll, len(out)), part, marker, why))

    for k, part in enumerate(roll.parts):
        now += part.pause_s * float(rng.uniform(0.85, 1.15))
        spec = specs[k]
        if isinstance(part, Marker):
            spec, shot = looking or _first_view(specs)
            spec = replace(spec, started_s=now)
            shot = replace(shot, seconds=0.0, exposing=replace(shot.exposing, noise_seed=_seed(rng)))
            press(spec, shot, "marker", k, part.kind)
            continue
        assert spec is not None
        spec = replace(spec, started_s=now)
        if isinstance(part, Stray):
            shot = plan_shots(spec)[0]
            press(spec, shot, "stray", k, why=part.why)
            continue
        shots, held = plan_shots(spec), 0.0
        for i, shot in enumerate(shots):
            if i and shot.row != shots[i - 1].row and part.row_markers:
                kind = part.row_markers[(len({s.row for s in shots[:i]}) - 1) % len(part.row_markers)]
                before = replace(
                    out[-1].shot,
                    seconds=out[-1].shot.seconds + _MARKER_S,
                    exposing=replace(shot.exposing, noise_seed=_seed(rng)),
                )
                press(spec, before, "marker", k, kind)
                held += 2.0 * _MARKER_S
            if i and shot.pose != shots[i - 1].pose:
                held += float(rng.uniform(-0.12, 0.25)) * spec.seconds_per_frame
            shot = replace(shot, seconds=shot.seconds + held)
            press(spec, shot, "frame", k)
            for odd, stops in part.odd:
                if odd == i:
                    press(spec, _again(shot, stops, rng), "stray", k, why="a pose shot once more")
        looking = spec, shots[-len(spec.bracket_ev)]  # what comes after is exposed as a first exposure is
        now += shots[-1].seconds + held
    return out


def _spec_of(
    part: Part, card: CardSpec, roll: Roll, index: int, k: int, megapixels: float, seed: int
) -> SetSpec | None:
    """The part's set in the card's place, on the roll's body."""
    if isinstance(part, Marker):
        return None
    return replace(
        part.spec,
        body=roll.body,
        place=replace(card.place, seed=seed),
        megapixels=megapixels,
        raw=card.raw,
        seed=(seed * 64 + index) * 64 + k,
    )


def _first_view(specs: list[SetSpec | None]) -> tuple[SetSpec, Shot]:
    """Where the camera looks before anything is shot: at the first frame to come."""
    spec = next(s for s in specs if s is not None)
    return spec, plan_shots(spec)[0]


def _again(shot: Shot, stops: float, rng: np.random.Generator) -> Shot:
    factors = shot.exposing.factors
    gain = 2.0**stops
    return replace(
        shot,
        seconds=shot.seconds + _ODD_S,
        exposure_ev=shot.exposure_ev + stops,
        gain=shot.gain * gain,
        exposing=replace(
            shot.exposing,
            factors=(factors[0] * gain, factors[1] * gain, factors[2] * gain),
            noise_seed=_seed(rng),
        ),
    )


def _seed(rng: np.random.Generator) -> int:
    return int(rng.integers(1, 1 << 31))


def _place(roll: Roll, count: int) -> str:
    """Path of the count-th file of a roll (from 0) under the card, without its suffix."""
    wraps, number = divmod(roll.first - 1 + count, _LAST_NUMBER)
    folder = roll.folder_number + (wraps if roll.folder_at_wrap else 0)
    return f"DCIM/{folder:03d}{roll.folder}/{roll.prefix}{number + 1:04d}"
