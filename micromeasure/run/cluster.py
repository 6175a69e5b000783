"""The same tasks on a Dask scheduler that somebody else runs.

Workers need the package in the same version, and images and results folder under the same
paths (a shared file system); nothing but tasks and results goes over the network.
"""

import logging
import os
import threading
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from micromeasure import __version__
from micromeasure.errors import MissingPartError, ResultsError
from micromeasure.run.task import ImageResult, Task
from micromeasure.run.worker import failed_image, measure_image

if TYPE_CHECKING:
    from distributed import Client, Future

_CONNECT_S = 10.0
_IN_FLIGHT_PER_THREAD = 2


def run_on_cluster(
    tasks: Iterator[Task], *, address: str, timeout_s: float
) -> Iterator[ImageResult]:
    """Carry tasks out on a cluster and hand results over as they come.

    Parameters
    ----------
    tasks : iterator of Task
        Drawn from as workers become free, never far ahead.
    address : str
        Of the scheduler, such as ``tcp://10.0.0.5:8786``.
    timeout_s : float
        A worker that is longer than this over one image ends itself; the scheduler starts it
        again and gives the image up after its own number of tries.

    Raises
    ------
    MissingPartError
        If the extra is not installed here.
    ResultsError
        If the scheduler does not answer or its workers run another version.
    """
    client = _connected(address)
    try:
        _check_versions(client, address)
        yield from _results(client, tasks, timeout_s)
    finally:
        client.close()


def _connected(address: str) -> "Client":
    try:
        from distributed import Client
    except ImportError as error:
        message = (
            "--cluster needs an optional part; install it with: "
            "python -m pip install 'micromeasure[cluster]'"
        )
        raise MissingPartError(message) from error
    # It would list every lost key; lost images have their rows.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    try:
        return Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        message = (
            f"--cluster {address}: no scheduler answers there within {_CONNECT_S:g} s ({error}); "
            "see its address and that it runs."
        )
        raise ResultsError(message) from error


def _check_versions(client: "Client", address: str) -> None:
    """Refuse workers that would measure with another version."""
    try:
        found: dict[str, Any] = client.run(_version)
    except ImportError as error:
        message = f"--cluster {address}: its workers lack micromeasure ({error}); install it there."
        raise ResultsError(message) from error
    others = sorted({str(version) for version in found.values()} - {__version__})
    if others:
        message = (
            f"--cluster {address}: its workers run micromeasure {', '.join(others)}, this is "
            f"{__version__}; install one version everywhere."
        )
        raise ResultsError(message)


def _version() -> str:
    return __version__


def _results(client: "Client", tasks: Iterator[Task], timeout_s: float) -> Iterator[ImageResult]:
    from distributed import as_completed

    waiting: dict[str, Task] = {}
    done = as_completed(loop=client.loop, with_results=True, raise_errors=False)

    def submit_next() -> bool:
        task = next(tasks, None)
        if task is None:
            return False
        future: Future[Any] = client.submit(_measured_within, task, timeout_s, pure=False)
        waiting[str(future.key)] = task
        done.add(future)
        return True

    while len(waiting) < _room(client) and submit_next():
        pass
    while waiting:
        future, result = next(done)
        task = waiting.pop(str(future.key))
        status = future.status
        # Kept futures would be computed again whenever a worker that holds them is lost.
        future.release()
        while len(waiting) < _room(client) and submit_next():
            pass
        yield result if status == "finished" else failed_image(task, _reason(result))


def _room(client: "Client") -> int:
    threads: int = sum(client.nthreads().values())
    return _IN_FLIGHT_PER_THREAD * max(1, threads)


def _reason(result: object) -> str:
    error = result[1] if isinstance(result, tuple) and len(result) > 1 else result
    name = type(error).__name__
    if name == "KilledWorker":
        return (
            "every worker of the cluster that measured it was lost, by memory or time limit "
            "(see --image-timeout); nothing was measured."
        )
    return f"the cluster gave it up ({name}: {error}); nothing was measured."


def _measured_within(task: Task, timeout_s: float) -> ImageResult:
    """Measure an image in a cluster's worker; end the worker if it takes too long."""
    from micromeasure.run.pool import quiet_libraries

    quiet_libraries()
    # A hanging decoder cannot be interrupted; its process can be ended, and is started again.
    watchdog = threading.Timer(timeout_s, os._exit, args=(1,))
    watchdog.daemon = True
    watchdog.start()
    try:
        return measure_image(task)
    finally:
        watchdog.cancel()
