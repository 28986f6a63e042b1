"""The truth of a card: which file belongs where."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

from belvedere.demo.card_plan import CardShot
from belvedere.demo.card_spec import CardSpec, Series
from belvedere.geometry.orientation import is_sideways

SCHEMA = "belvedere.card-truth/1"


@dataclass(frozen=True, slots=True)
class SeriesTruth:
    """One series; every file by its path under the card, with / between folders.

    Parameters
    ----------
    name : str
        Of its set.
    frames : tuple of str
        In the order shot; of a bracket its first exposure, of twins the picture.
    rows : tuple of tuple of str
        From top to bottom, each from left to right as seen, whatever the order shot.
    missing : tuple of (row, column)
        Places of the grid where no frame was shot.
    brackets : tuple of tuple of str
        The files of each pose in the order shot, of a series of stepped exposures; else empty.
    twins : dict of str to str
        The raw file beside a picture.
    focal_mm : float
        As tagged.
    orientation : "portrait" or "landscape"
        How the frames are held.
    body : str
        Serial number of the body.
    """

    name: str
    frames: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    missing: tuple[tuple[int, int], ...]
    brackets: tuple[tuple[str, ...], ...]
    twins: dict[str, str]
    focal_mm: float
    orientation: str
    body: str


@dataclass(frozen=True, slots=True)
class CardTruth:
    """A card.

    Parameters
    ----------
    name : str
        Name of the card.
    seed : int
        As shot.
    series : tuple of SeriesTruth
        In the order shot (by true time; a card of two bodies interleaves).
    markers : dict of str to str
        Marker file to what it shows: "hand", "cap", "ground" or "card".
    strays : dict of str to str
        Stray file to why.
    twins : dict of str to str
        The raw file beside every picture of the card, markers and strays too.
    sidecars : tuple of str
        Files of edits.
    seconds : dict of str to float
        True moment of every picture.
    """

    name: str
    seed: int
    series: tuple[SeriesTruth, ...]
    markers: dict[str, str]
    strays: dict[str, str]
    twins: dict[str, str]
    sidecars: tuple[str, ...]
    seconds: dict[str, float]


def picture_of(card: CardSpec, shot: CardShot) -> str:
    """The file that stands for a shot: its JPEG, or its raw file where there is none."""
    return shot.place + (".DNG" if card.raw == "dng" else ".JPG")


def twin_of(card: CardSpec, shot: CardShot) -> str | None:
    """The raw file beside the picture."""
    return shot.place + ".DNG" if card.raw == "both" else None


def sidecar_of(card: CardSpec, index: int, shot: CardShot) -> str | None:
    """The file of edits of a shot: every third frame of a card that has any."""
    return shot.place + ".xmp" if card.sidecars and index % 3 == 1 else None


def truth_of_card(card: CardSpec, shots: tuple[CardShot, ...], seed: int) -> CardTruth:
    """The truth of a planned card."""
    twins = {picture_of(card, s): t for s in shots if (t := twin_of(card, s)) is not None}
    by_part: dict[tuple[int, int], list[CardShot]] = {}
    for s in shots:
        if s.what == "frame":
            by_part.setdefault((s.roll, s.part), []).append(s)
    groups = sorted(by_part.values(), key=lambda group: group[0].seconds)
    return CardTruth(
        name=card.name,
        seed=seed,
        series=tuple(_series(card, group, twins) for group in groups),
        markers={picture_of(card, s): str(s.marker) for s in shots if s.what == "marker"},
        strays={picture_of(card, s): s.why for s in shots if s.what == "stray"},
        twins=twins,
        sidecars=tuple(f for i, s in enumerate(shots) if (f := sidecar_of(card, i, s)) is not None),
        seconds={picture_of(card, s): s.seconds for s in shots},
    )


def _series(card: CardSpec, group: list[CardShot], twins: dict[str, str]) -> SeriesTruth:
    spec = group[0].spec
    poses: dict[int, list[CardShot]] = {}
    for s in group:
        poses.setdefault(s.shot.pose, []).append(s)
    first = [pose[0] for pose in poses.values()]
    rows = sorted({s.shot.row for s in first})
    part = card.rolls[group[0].roll].parts[group[0].part]
    assert isinstance(part, Series)
    return SeriesTruth(
        name=spec.name,
        frames=tuple(picture_of(card, s) for s in first),
        rows=tuple(
            tuple(
                picture_of(card, s) for s in sorted(first, key=lambda s: s.shot.column) if s.shot.row == row
            )
            for row in rows
        ),
        missing=tuple(sorted(spec.omit)),
        brackets=tuple(tuple(picture_of(card, s) for s in pose) for pose in poses.values())
        if len(spec.bracket_ev) > 1
        else (),
        twins={f: twins[f] for s in group if (f := picture_of(card, s)) in twins},
        focal_mm=spec.focal_mm if spec.tagged_focal_mm is None else spec.tagged_focal_mm,
        orientation="portrait" if is_sideways(spec.orientations[0]) else "landscape",
        body=spec.body.serial,
    )


def write_card_truth(truth: CardTruth, path: Path) -> None:
    """Write the truth as JSON."""
    path.write_text(json.dumps({"schema": SCHEMA, **asdict(truth)}, indent=1) + "\n", encoding="utf-8")


def read_card_truth(path: Path) -> CardTruth:
    """Read what `write_card_truth` wrote.

    Raises
    ------
    ValueError
        If the file is not of the schema this version writes.
    """
    d = json.loads(path.read_text(encoding="utf-8"))
    if d.pop("schema", None) != SCHEMA:
        raise ValueError(f"{path}: expected schema {SCHEMA}")
    d["series"] = tuple(
        SeriesTruth(
            **{
                **s,
                "frames": tuple(s["frames"]),
                "rows": tuple(tuple(row) for row in s["rows"]),
                "missing": tuple((row, column) for row, column in s["missing"]),
                "brackets": tuple(tuple(pose) for pose in s["brackets"]),
            }
        )
        for s in d["series"]
    )
    d["sidecars"] = tuple(d["sidecars"])
    return CardTruth(**d)
