"""Which cards there are, part by part."""

from __future__ import annotations

from dataclasses import replace

from belvedere.demo.card_spec import CardSpec, Marker, Roll, Series, Stray
from belvedere.demo.faults import Fault
from belvedere.demo.place import Place
from belvedere.demo.spec import SetSpec, ShootingOrder, SimulatedBody, SimulatedLens

_FIRST = SimulatedBody("Quenlith", "Quenlith Q24", "0417")
_SECOND = SimulatedBody(
    "Brevalin", "Brevalin C5", "88-1190", contrast=0.35, clock_s=7.2 * 3600.0, preview_px=1620
)

_LENSES = {
    24.0: SimulatedLens("Ilvane 24 mm f/2.8", (-0.05, 0.01, 0.0), (0.05, 0.03), (-0.48, 0.12, -0.03)),
    35.0: SimulatedLens("Ilvane 35 mm f/2", (-0.05, 0.008, 0.0), (0.02, 0.04), (-0.40, 0.10, -0.02)),
    50.0: SimulatedLens(),
    70.0: SimulatedLens("Ilvane 70 mm f/2.8", (-0.01, 0.0, 0.0), (-0.03, 0.05), (-0.28, 0.04, 0.0)),
    85.0: SimulatedLens("Ilvane 85 mm f/2", (0.03, 0.0, 0.0), (-0.04, 0.05), (-0.25, 0.03, 0.0)),
    150.0: SimulatedLens("Ilvane 150 mm f/4", (0.05, 0.0, 0.0), (0.05, 0.02), (-0.20, 0.02, 0.0)),
}


def _set(
    name: str,
    focal_mm: float,
    columns: int,
    *,
    yaw_deg: float = -30.0,
    pitch_deg: float = -3.0,
    **more: object,
) -> SetSpec:
    """An upright set on a tripod that is nearly level."""
    spec = SetSpec(
        name, columns=columns, focal_mm=focal_mm, yaw_deg=yaw_deg, pitch_deg=pitch_deg, tilt_deg=0.8,
        lens=_LENSES[focal_mm], row_pause_s=3.0,
    )  # fmt: skip
    return replace(spec, **more)  # type: ignore[arg-type]


def _one(focal_mm: float, yaw_deg: float, pitch_deg: float, fault: Fault, **more: object) -> SetSpec:
    """A single frame."""
    return _set("stray", focal_mm, 1, yaw_deg=yaw_deg, pitch_deg=pitch_deg, faults=(fault,), **more)


_TEST = Stray(_one(24.0, -30.0, -3.0, Fault(exposure_ev=1.3)), "a test of the exposure")
_ASKEW = Stray(
    _one(50.0, 165.0, -9.0, Fault(roll_deg=24.0, motion_px=5.0, motion_deg=70.0), orientations=(1,)),
    "shot by accident, askew",
)
_SHAKEN = Stray(
    _one(50.0, 120.0, 9.0, Fault(roll_deg=-13.0, motion_px=38.0, motion_deg=12.0)),
    "shot by accident while the camera was carried",
)
_HAND = Marker("hand")
_TIMELESS = replace(_FIRST, clock_s=None)
_SNAKE = ShootingOrder(serpentine=True)

CARDS: dict[str, CardSpec] = {
    card.name: card
    for card in (
        CardSpec(
            "five-series",
            (
                Roll(
                    _FIRST,
                    (
                        _TEST,
                        _HAND,
                        Series(_set("wide", 24.0, 5), 9.0),
                        _HAND,
                        Marker("hand", 150.0),
                        Series(_set("normal", 50.0, 7), 8.0),
                        _HAND,
                        _ASKEW,
                        Marker("hand", 60.0),
                        Series(_set("moderate", 70.0, 11), 9.0),
                        _HAND,
                        Series(_set("grid", 85.0, 5, rows=3, pitch_deg=-4.0), 12.0, ("hand",)),
                        _HAND,
                        _SHAKEN,
                        Marker("hand", 75.0),
                        Series(_set("long", 150.0, 9, pitch_deg=-1.0), 10.0),
                        _HAND,
                    ),
                    first=9985,
                ),
            ),
        ),
        CardSpec(
            "no-markers",
            (
                Roll(
                    _FIRST,
                    (
                        Series(_set("left", 50.0, 7, yaw_deg=-60.0)),
                        Series(_set("right", 50.0, 6, yaw_deg=75.0), 900.0),
                        Series(_set("closer", 85.0, 8, yaw_deg=60.0), 35.0),
                    ),
                    first=212,
                ),
            ),
        ),
        CardSpec(
            "turned-away",
            (
                Roll(
                    _FIRST,
                    (
                        Series(_set("left", 50.0, 6, yaw_deg=-70.0)),
                        Series(_set("right", 50.0, 6, yaw_deg=100.0), 11.0),
                        Series(_set("lying", 50.0, 5, yaw_deg=100.0, orientations=(1,)), 14.0),
                    ),
                    first=40,
                ),
            ),
        ),
        CardSpec(
            "two-bodies",
            (
                Roll(
                    _FIRST,
                    (
                        _HAND,
                        Series(_set("wide", 24.0, 5), 8.0),
                        _HAND,
                        Marker("hand", 300.0),
                        Series(_set("normal", 50.0, 7), 8.0),
                        _HAND,
                    ),
                    first=431,
                ),
                Roll(
                    _SECOND,
                    (
                        _HAND,
                        Series(_set("long", 150.0, 8, pitch_deg=-1.0), 9.0),
                        _HAND,
                        Marker("hand", 255.0),
                        Series(_set("moderate", 85.0, 6, rows=2), 9.0),
                        _HAND,
                    ),
                    folder="BREVA",
                    first=436,
                    started_s=4.0,
                ),
            ),
        ),
        CardSpec(
            "serpentine",
            (
                Roll(
                    _FIRST,
                    (
                        _HAND,
                        Series(_set("snake", 85.0, 5, rows=3, pitch_deg=-4.0, order=_SNAKE), 9.0),
                        _HAND,
                        Series(
                            _set("upwards", 70.0, 5, rows=3, yaw_deg=50.0, order=ShootingOrder("up")), 50.0
                        ),
                        _HAND,
                        Series(
                            _set(
                                "leftwards",
                                35.0,
                                4,
                                rows=2,
                                yaw_deg=-120.0,
                                order=ShootingOrder("up", "left", serpentine=True),
                            ),
                            45.0,
                        ),
                        _HAND,
                    ),
                    first=77,
                ),
            ),
        ),
        CardSpec(
            "markers-forgotten",
            (
                Roll(
                    _FIRST,
                    (
                        _HAND,
                        Series(_set("first", 50.0, 6, yaw_deg=-60.0), 9.0),
                        Series(_set("second", 85.0, 7, yaw_deg=-50.0), 70.0),
                        _HAND,
                        Series(_set("third", 85.0, 5, rows=2, yaw_deg=40.0), 60.0),
                        _HAND,
                        Series(_set("fourth", 24.0, 4, yaw_deg=0.0), 80.0),
                    ),
                    first=1203,
                ),
            ),
        ),
        CardSpec(
            "brackets",
            (
                Roll(
                    _FIRST,
                    (
                        _HAND,
                        Series(
                            _set("stepped", 50.0, 6, bracket_ev=(0.0, -2.0, 2.0), seconds_per_frame=6.0), 9.0
                        ),
                        _HAND,
                        Series(_set("single", 70.0, 7, yaw_deg=20.0), 45.0, odd=((3, -1.0),)),
                        _HAND,
                    ),
                    first=3310,
                ),
            ),
        ),
        CardSpec(
            "twins",
            (
                Roll(
                    _FIRST,
                    (
                        _HAND,
                        Series(_set("row", 50.0, 5), 9.0),
                        _HAND,
                        Series(_set("rows", 85.0, 4, rows=2, yaw_deg=15.0), 60.0),
                        _HAND,
                    ),
                    first=2040,
                ),
            ),
            raw="both",
            sidecars=True,
        ),
        CardSpec(
            "raw-only",
            (
                Roll(
                    _FIRST,
                    (_HAND, Series(_set("row", 50.0, 5), 9.0), _HAND),
                    first=90,
                ),
            ),
            raw="dng",
        ),
        CardSpec(
            "plain-sky",
            (
                Roll(
                    _FIRST,
                    (
                        _HAND,
                        Series(
                            _set(
                                "sky",
                                50.0,
                                5,
                                rows=2,
                                pitch_deg=12.0,
                                row_overlap=0.22,
                                order=ShootingOrder("up"),
                            ),
                            9.0,
                        ),
                        _HAND,
                    ),
                    first=640,
                ),
            ),
            place=Place(clouds=0.0, skyline_deg=4.0, sea_width_deg=0.0),
        ),
        CardSpec(
            "twice",
            (
                Roll(
                    _FIRST,
                    (
                        _HAND,
                        Series(_set("once", 50.0, 6), 9.0),
                        _HAND,
                        Series(_set("again", 50.0, 6), 95.0),
                        _HAND,
                    ),
                    first=815,
                ),
            ),
        ),
        CardSpec(
            "wrap-in-folder",
            (
                Roll(
                    _FIRST,
                    (
                        _HAND,
                        Series(_set("before", 50.0, 6), 9.0),
                        _HAND,
                        Series(_set("after", 70.0, 6), 60.0),
                        _HAND,
                    ),
                    first=9990,
                    folder_at_wrap=False,
                ),
            ),
        ),
        CardSpec(
            "other-markers",
            (
                Roll(
                    _FIRST,
                    (
                        Marker("cap"),
                        Series(_set("first", 50.0, 5, yaw_deg=-60.0), 9.0),
                        Marker("cap"),
                        Marker("ground", 60.0),
                        Series(_set("second", 35.0, 4, rows=2, yaw_deg=30.0), 9.0, ("ground",)),
                        Marker("ground"),
                        Marker("card", 60.0),
                        Series(_set("third", 70.0, 6, yaw_deg=30.0), 9.0),
                        Marker("card"),
                    ),
                    first=5120,
                ),
            ),
        ),
        CardSpec(
            "gaps",
            (
                Roll(
                    _FIRST,
                    (
                        _HAND,
                        Series(_set("hole", 70.0, 6, rows=2, overlap=0.4, omit=((1, 3),)), 9.0),
                        _HAND,
                    ),
                    first=300,
                ),
            ),
        ),
        CardSpec(
            "no-clock",
            (
                Roll(
                    _TIMELESS,
                    (
                        _HAND,
                        Series(_set("first", 50.0, 6), 9.0),
                        _HAND,
                        Series(_set("second", 85.0, 5, rows=2), 60.0),
                        _HAND,
                    ),
                    first=9993,
                ),
            ),
        ),
        CardSpec(
            "no-series",
            (Roll(_FIRST, (_HAND, _ASKEW, _SHAKEN, Marker("cap"), _HAND), first=17),),
        ),
    )
}
"""Every card there is."""
