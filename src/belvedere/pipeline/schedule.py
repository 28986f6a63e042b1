"""Work split over threads: results in the order of the jobs, a bounded number of them under way.

Numba, OpenCV and the codecs let go of the interpreter's lock, so threads are enough. The results cannot
depend on the number of threads: jobs are pure, and nothing is summed across them here.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from queue import SimpleQueue
from typing import Any, Generic, Protocol, TypeVar

Job = TypeVar("Job")
Result = TypeVar("Result")
_POLL_S = 0.1  # how soon an interrupt is noticed where waiting cannot be interrupted
_FAREWELL_S = 1.0  # how long jobs under way are waited for when nobody wants their results any more


class Schedule(Protocol):
    """Applies a pure function to jobs; results in order, made as they are asked for."""

    def __call__(self, function: Callable[[Any], Any], jobs: Iterable[Any]) -> Iterator[Any]:
        """Iterate over the results. The first failing job's error, in the order of jobs, is raised."""
        ...


class Threads:
    """A Schedule over threads of this process.

    Parameters
    ----------
    count : int
        Threads, >= 1; 1 is a plain loop in the caller's thread.
    ahead : int or None
        Most jobs begun whose result was not yet taken, >= count; bounds memory. None: one more than `count`.
    """

    def __init__(self, count: int, ahead: int | None = None) -> None:
        if count < 1 or (ahead is not None and ahead < count):
            raise ValueError(f"expected count >= 1 and ahead >= count, got {count} and {ahead}")
        self.count = count
        self.ahead = count + 1 if ahead is None else ahead

    def __call__(self, function: Callable[[Job], Result], jobs: Iterable[Job]) -> Iterator[Result]:
        """See Schedule."""
        if self.count == 1:
            return map(function, jobs)
        return _in_threads(function, jobs, self.count, self.ahead)


class _Task(Generic[Job, Result]):
    """One job on its way."""

    def __init__(self, job: Job) -> None:
        self.job: Job | None = job
        self.done = threading.Event()
        self.result: Result
        self.error: BaseException | None = None


def _in_threads(
    function: Callable[[Job], Result], jobs: Iterable[Job], count: int, ahead: int
) -> Iterator[Result]:
    waiting: SimpleQueue[_Task[Job, Result] | None] = SimpleQueue()
    stopped = threading.Event()  # an error, or nobody wants more

    def work() -> None:
        while (task := waiting.get()) is not None:
            if not stopped.is_set():
                try:
                    task.result = function(task.job)  # type: ignore[arg-type]
                except BaseException as error:
                    task.error = error
                    stopped.set()
            task.job = None
            task.done.set()
            del task

    # Threads that do not keep the process alive: after an interrupt the command must not wait for them.
    threads: list[threading.Thread] = []
    under_way: deque[_Task[Job, Result]] = deque()
    source = iter(jobs)
    exhausted = False
    try:
        while True:
            while not exhausted and not stopped.is_set() and len(under_way) < ahead:
                try:
                    task = _Task[Job, Result](next(source))
                except StopIteration:
                    exhausted = True
                    break
                under_way.append(task)
                waiting.put(task)
                if len(threads) < count:
                    thread = threading.Thread(target=work, name=f"worker-{len(threads)}", daemon=True)
                    threads.append(thread)
                    thread.start()
            if not under_way:
                return
            task = under_way.popleft()
            while not task.done.wait(_POLL_S):
                pass
            if task.error is not None:
                raise task.error
            result = task.result
            del task
            yield result
            del result
    finally:
        stopped.set()
        for _ in threads:
            waiting.put(None)
        deadline = time.monotonic() + _FAREWELL_S
        for thread in threads:
            thread.join(max(0.0, deadline - time.monotonic()))
