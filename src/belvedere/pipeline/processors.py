"""Processors this process may use, and libraries that keep to the thread that calls them."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

import cv2
from threadpoolctl import threadpool_limits


def processors() -> int:
    """Processors this process may use, at least 1."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1


@contextmanager
def one_thread_each() -> Iterator[None]:
    """Linear algebra and OpenCV stay in the thread that calls them: their own would multiply ours."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        with threadpool_limits(1):
            yield
    finally:
        cv2.setNumThreads(before)
