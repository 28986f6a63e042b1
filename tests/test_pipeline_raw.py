"""A picture made of raw files alone is the picture made of the same shots' JPEGs."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import tifffile
from PIL import ImageCms

from belvedere.cli.main import run
from belvedere.demo.render import write_set
from belvedere.demo.sets import set_spec


def test_raw_files_stitch_to_the_picture_of_their_jpegs(tmp_path: Path) -> None:
    spec = set_spec("row", megapixels=0.4, columns=3)
    pictures = []
    for kind in ("dng", None):
        folder = tmp_path / str(kind)
        write_set(replace(spec, raw=kind), folder)  # type: ignore[arg-type]
        out = tmp_path / f"{kind}.tif"
        assert run(["stitch", str(folder), "--out", str(out)]) == 0
        with tifffile.TiffFile(out) as tiff:
            pictures.append(tiff.asarray())
            profile = ImageCms.ImageCmsProfile(io.BytesIO(tiff.pages[0].tags[34675].value))
            assert "sRGB" in ImageCms.getProfileDescription(profile)
    raw, jpeg = pictures
    assert raw.dtype == np.uint16
    rows, columns = (min(a, b) for a, b in zip(raw.shape[:2], jpeg.shape[:2], strict=True))
    means = []
    for picture in pictures:
        whole = np.where(picture[:rows, :columns, 3:] == 65535, picture[:rows, :columns, :3] / 257.0, 0.0)
        low = whole[: rows // 32 * 32, : columns // 32 * 32]
        means.append(low.reshape(rows // 32, 32, columns // 32, 32, 3).mean(axis=(1, 3)))
    assert np.median(np.abs(means[0] - means[1])) < 0.5  # 8-bit codes
    assert np.median(means[0].mean(axis=2)) > 80.0
