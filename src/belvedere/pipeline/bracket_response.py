"""The response a picture of merged exposures is encoded by: as the camera's own pictures are."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from belvedere.capture.bracket_account import BracketAccount
from belvedere.capture.response_curve import whole_curve
from belvedere.capture.transfer import Transfer
from belvedere.tone.tone import Response


def merged_response(transfer: Transfer, accounts: Sequence[BracketAccount | None]) -> Response:
    """The profile's curve with the contrast on top that was undone in merging, the mean over the frames.

    A picture so encoded looks as the middle exposures do. Where no camera put a curve on top, and where the
    mean is none that grows, the profile's curve alone.
    """
    curves = [account.curve for account in accounts if account is not None and account.curve]
    if curves:
        mean = np.mean(np.array(curves), axis=0)
        light = whole_curve(transfer.to_linear, mean).astype(np.float32)
        if (np.diff(light) >= 0.0).all() and light[-1] == 1.0:
            return Response("overlaps", light, tuple(float(v) for v in mean))
    return Response(transfer.known_from, transfer.to_linear)
