"""Twenty people walk through a demo row: counted by truth, none is cut."""

from __future__ import annotations

import numpy as np

from belvedere.capture.frame_source import FramesInMemory
from belvedere.compose.layout import choose_plate
from belvedere.compose.light import FrameLight
from belvedere.compose.seams import estimate_seams, owners
from belvedere.demo.render import render_frames, truth
from belvedere.demo.sets import set_spec


def test_walkers_show_whole_or_not_at_all() -> None:
    spec = set_spec("walkers", megapixels=0.8, seed=2)
    known = truth(spec)
    cameras = known.cameras
    lights = [
        FrameLight(
            known.to_linear.astype(np.float32),
            (1 / (f.gain * f.white_balance[0]), 1 / f.gain, 1 / (f.gain * f.white_balance[2])),
            f.vignetting,
            f.camera.principal_point,
            f.camera.half_diagonal_px,
        )
        for f in known.frames
    ]
    plate, _ = choose_plate(cameras)
    seams = estimate_seams(FramesInMemory(render_frames(spec)), cameras, lights, plate)
    own = owners(seams, plate, cameras, 0, 0, plate.width, plate.height)
    shown, hidden = 0, 0
    for k, frame in enumerate(known.frames):
        for walker in frame.walkers:
            x0, y0, x1, y1 = walker.box
            u, v = np.meshgrid(np.linspace(x0, x1, 9)[1:-1], np.linspace(y0, y1, 17)[1:-1])
            points = np.stack([u, v], axis=-1)
            _, seen = cameras[k].project(cameras[k].rays(points))
            if not seen.any():
                continue
            at = np.rint(plate.points(cameras[k].rays(points))[seen]).astype(int)
            mine = own[at[:, 1].clip(0, plate.height - 1), at[:, 0].clip(0, plate.width - 1)] == k
            assert not mine.any() or (mine.all() and seen.all()), (
                f"walker {walker.walker} is cut in frame {k}"
            )
            shown, hidden = shown + bool(mine.any()), hidden + (not mine.any())
    assert shown >= 10
    assert hidden >= 10
