"""
Who does the work: processes of this machine, or an existing dask cluster; both are executors of the standard library.

No more than a few tasks are handed out at once, so memory does not grow with their number. A task whose process was
killed, or ran out of memory, is done once more at the end, alone; then it is refused in words.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import traceback
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from multiprocessing.connection import wait as wait_for
from typing import TypeVar

from texscan.errors import SettingsError, StorageError, is_no_memory

AHEAD = 2  # tasks handed out for each worker: one at work, one waiting
THREAD_VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
CONNECT_S = 10.0
KILLED = (
    "The process that scored it was killed twice, the second time alone: most likely there is not enough memory. "
    "Use smaller photos or a machine with more memory, and run the batch again."
)
NO_MEMORY = "There is not enough memory for it, even alone. Use smaller photos or a machine with more memory."

T = TypeVar("T")
R = TypeVar("R")
Pool = Callable[[int], Executor]  # opens an executor with that many workers


@dataclass(frozen=True, slots=True)
class Failure:
    """A task without a result: the sentence why, or the traceback of a bug."""

    reason: str
    bug: str = ""


def results(tasks: Iterable[T], work: Callable[[T], R], *, pool: Pool, jobs: int) -> Iterator[tuple[T, R | Failure]]:
    """
    Each task with its result, in the order in which they are done.

    Parameters
    ----------
    work : a function that other processes can import, or a partial of one
    pool : opens an executor; called again when one breaks
    """
    waiting = iter(tasks)
    set_aside: list[T] = []
    has_more = True
    while has_more:
        with _open(pool, jobs) as executor:
            has_more = yield from _until_broken(executor, waiting, work, jobs, set_aside)
    for task in set_aside:
        yield task, _alone(task, work, pool)


def _until_broken(executor: Executor, waiting: Iterator[T], work: Callable[[T], R], jobs: int, set_aside: list[T]):
    """
    Hand out tasks until there are none or the executor breaks; then those that it had are set aside.

    Returns
    -------
    has_more : bool, True where it broke.
    """
    running: dict[Future, T] = {}
    is_broken = False
    while not is_broken:
        for task in islice(waiting, AHEAD * jobs - len(running)):
            try:
                running[executor.submit(work, task)] = task
            except BrokenExecutor:
                set_aside.append(task)
                is_broken = True
        if not running:
            break
        for future in wait(running, return_when=FIRST_COMPLETED).done:
            task, error = running.pop(future), future.exception()
            is_broken |= isinstance(error, BrokenExecutor)
            if _may_go_alone(error):
                set_aside.append(task)
            else:
                yield task, future.result() if error is None else _bug(error)
    set_aside += running.values()
    return is_broken


def _alone(task: T, work: Callable[[T], R], pool: Pool) -> R | Failure:
    with _open(pool, 1) as executor:
        error = (future := executor.submit(work, task)).exception()
    if error is None:
        return future.result()
    if is_no_memory(error) or isinstance(error, StorageError):
        return Failure(NO_MEMORY)
    return Failure(KILLED) if _may_go_alone(error) else _bug(error)


def _may_go_alone(error: BaseException | None) -> bool:
    """The process was killed, or had not enough memory."""
    # dask has its own word for a task that killed several workers
    return (
        (error is not None and is_no_memory(error))
        or isinstance(error, BrokenExecutor | StorageError)
        or type(error).__name__ == "KilledWorker"
    )


def _bug(error: BaseException) -> Failure:
    return Failure("It met a bug of texscan; the traceback stands below.", "".join(traceback.format_exception(error)))


@contextmanager
def _open(pool: Pool, jobs: int) -> Iterator[Executor]:
    """An executor that is closed in the end; when something goes wrong, its processes are not waited for."""
    others = multiprocessing.active_children()
    executor = pool(jobs)
    try:
        yield executor
    except BaseException:
        executor.shutdown(wait=False)
        for process in multiprocessing.active_children():
            if process not in others:
                process.terminate()
        raise
    executor.shutdown(wait=True)


def local_pool(jobs: int) -> Executor:
    """Processes of this machine, one core each, started fresh."""
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(jobs, mp_context=context, initializer=_start_worker)


def _start_worker() -> None:
    """In a worker, before the numerical libraries are loaded."""
    os.environ.update(dict.fromkeys(THREAD_VARIABLES, "1"))
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches all processes; the first one ends the others
    parent = multiprocessing.parent_process()
    threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent) -> None:
    """A worker does not outlive a batch that was killed."""
    wait_for([parent.sentinel])
    os._exit(1)


def cluster_pool(address: str) -> tuple[Pool, int]:
    """
    A running dask.distributed cluster as pool, and the number of its workers' threads. Its workers must have texscan
    and see the photos under the same path.

    Raises
    ------
    SettingsError : the extra is missing, nobody answers, or the cluster has no workers.
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise SettingsError(
            "--scheduler needs dask.distributed, which is not installed: pip install 'texscan[cluster]'. Or leave "
            "it out and use --jobs."
        ) from error
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise SettingsError(
            f"No dask scheduler answers at {address} ({error}). Start it, or correct the address (tcp://HOST:PORT)."
        ) from error
    jobs = sum(client.nthreads().values())
    if not jobs:
        client.close()
        raise SettingsError(f"The dask scheduler at {address} has no workers. Start some with 'dask worker'.")
    return (lambda _: client.get_executor(pure=False)), jobs
