"""Invented entries of a lens list, as lensfunpy reads them."""

from __future__ import annotations

from typing import Any

import lensfunpy

FALL = (-0.3, 0.06, -0.02)


def lens_list(
    distortion: str,
    *,
    lens: str = "Ilvane 50 mm f/2",
    crop: float = 1.0,
    aspect: str | None = None,
    kind: str = "rectilinear",
    focal: float = 50.0,
    stop: float = 8.0,
) -> Any:
    """A list of two cameras and one lens with these distortion elements."""
    k1, k2, k3 = FALL
    xml = f"""<lensdatabase version="1"><mount><name>Quenlith Q</name></mount>
<camera><maker>Quenlith</maker><model>Quenlith Q24</model><mount>Quenlith Q</mount>
<cropfactor>1.0</cropfactor></camera>
<camera><maker>Quenlith</maker><model>Quenlith Q15</model><mount>Quenlith Q</mount>
<cropfactor>1.5</cropfactor></camera>
<lens><maker>Ilvane</maker><model>{lens}</model><mount>Quenlith Q</mount><cropfactor>{crop}</cropfactor>
{f"<aspect-ratio>{aspect}</aspect-ratio>" if aspect else ""}<type>{kind}</type>
<focal value="{focal}"/><calibration>{distortion}
<vignetting model="pa" focal="{focal}" aperture="{stop}" distance="1000" k1="{k1}" k2="{k2}" k3="{k3}"/>
</calibration></lens></lensdatabase>"""
    return lensfunpy.Database(xml=xml, load_common=False, load_bundled=False)
