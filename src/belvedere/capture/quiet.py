"""Other libraries' warnings kept off the terminal while outside data are read, by any number of threads."""

from __future__ import annotations

import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager

_lock = threading.Lock()
_inside = 0
_catcher: warnings.catch_warnings | None = None


@contextmanager
def quiet() -> Iterator[None]:
    """Ignore warnings inside. The filters belong to the process: the first in sets, the last out restores."""
    global _inside, _catcher
    with _lock:
        if _inside == 0:
            _catcher = warnings.catch_warnings()
            _catcher.__enter__()
            warnings.simplefilter("ignore")
        _inside += 1
    try:
        yield
    finally:
        with _lock:
            _inside -= 1
            if _inside == 0 and _catcher is not None:
                _catcher.__exit__(None, None, None)
                _catcher = None
