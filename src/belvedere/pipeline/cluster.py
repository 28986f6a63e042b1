"""Work spread over the workers of a Dask cluster: the same jobs, the same order, the same bits as in threads.

Dask's scheduler and workers are the user's own, started beforehand; all of them see the work folder. What is
the same for all jobs is sent to each worker once, and each job's result comes back whole.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from types import TracebackType
from typing import Any, Self, TypeVar

from belvedere.errors import ClusterFailed
from belvedere.pipeline.code_version import code_versions
from belvedere.pipeline.stages import STAGES

Job = TypeVar("Job")
Result = TypeVar("Result")
_CONNECT_S = 10.0
_AHEAD = 2  # jobs sent for every thread of the cluster: one that runs and one that waits its turn


class Cluster:
    """A Schedule over the workers of a Dask cluster.

    Parameters
    ----------
    address : str
        Of its scheduler, such as `tcp://192.0.2.7:8786`.

    Raises
    ------
    ClusterFailed
        If Dask is not installed here, nothing answers, there is no worker, or a worker's Belvedere is not
        ours.
    """

    def __init__(self, address: str) -> None:
        try:
            from distributed import Client
        except ImportError as error:
            raise ClusterFailed(
                "--scheduler needs Dask's distributed. Install it here and on every worker: "
                "pip install 'belvedere[cluster]'"
            ) from error
        try:
            self._client: Any = Client(address, timeout=_CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call]
        except (OSError, ValueError) as error:
            raise ClusterFailed(
                f"--scheduler {address}: nothing answers there. Start a scheduler and workers first."
            ) from error
        try:
            self._check(address)
        except BaseException:
            self.close()
            raise

    def _check(self, address: str) -> None:
        found: dict[str, Any] = self._client.run(_our_code)
        if not found:
            raise ClusterFailed(f"--scheduler {address}: it has no workers. Start some first.")
        own = _our_code()
        other = sorted(worker for worker, code in found.items() if code != own)
        if other:
            raise ClusterFailed(
                f"--scheduler {address}: the worker {other[0]} has another Belvedere or other libraries than "
                "this machine, so its pixels could differ. Install the same on all."
            )
        self._threads: int = sum(self._client.nthreads().values())

    @property
    def threads(self) -> int:
        """Threads of all workers together."""
        return self._threads

    def __call__(self, function: Callable[[Job], Result], jobs: Iterable[Job]) -> Iterator[Result]:
        """See Schedule; the function and the jobs must pickle.

        Raises
        ------
        ClusterFailed
            If the cluster is lost, or a job kills worker after worker.
        """
        shared = self._client.scatter(_Shared(function), broadcast=True, hash=False)
        under_way: deque[Any] = deque()
        source = iter(jobs)
        try:
            while True:
                for job in source:
                    under_way.append(self._client.submit(_apply, shared, job, pure=False))
                    if len(under_way) >= _AHEAD * self._threads:
                        break
                if not under_way:
                    return
                yield self._result(under_way.popleft())
        finally:
            self._client.cancel([*under_way, shared])

    def _result(self, future: Any) -> Any:
        from distributed import CancelledError
        from distributed.comm.core import CommClosedError
        from distributed.scheduler import KilledWorker

        try:
            return future.result()
        except (CancelledError, CommClosedError, KilledWorker) as error:
            raise ClusterFailed(
                f"the cluster gave up ({error}). What is made so far is kept; run the same command to "
                "continue, with or without --scheduler."
            ) from error

    def close(self) -> None:
        """Leave the cluster; it goes on for others."""
        self._client.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class _Shared:
    """What all jobs have in common; a plain function would be pickled with every job."""

    def __init__(self, function: Callable[[Any], Any]) -> None:
        self.function = function


def _apply(shared: _Shared, job: Any) -> Any:
    return shared.function(job)


def _our_code() -> dict[str, str]:
    return code_versions(sorted({room for stage in STAGES for room in stage.rooms} | {"pipeline"}))
