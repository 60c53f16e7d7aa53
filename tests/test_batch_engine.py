"""Who does the work: processes that are killed, run out of memory or meet a bug take nothing else with them."""

import os
import time
from concurrent.futures import ThreadPoolExecutor

import hard_work
import pytest

from texscan.batch.engine import AHEAD, Failure, local_pool, results


def done(*said, pool=ThreadPoolExecutor, jobs=2):
    return dict(results(said, hard_work.do, pool=pool, jobs=jobs))


@pytest.mark.skipif(os.name == "nt", reason="the tasks end themselves by a signal")
@pytest.mark.parametrize("jobs", [1, 2])
def test_a_task_whose_process_is_killed_is_refused_in_words_and_the_others_are_done(jobs):
    out = done("fine 1", "die", "fine 2", "fine 3", "fine 4", pool=local_pool, jobs=jobs)
    refused = out.pop("die")
    assert isinstance(refused, Failure) and "memory" in refused.reason and not refused.bug
    assert out == {f"fine {n}": f"fine {n}" for n in (1, 2, 3, 4)}


def test_a_task_without_memory_is_tried_once_more_alone_then_refused():
    opened = []

    def pool(jobs):
        opened.append(jobs)
        return ThreadPoolExecutor(jobs)

    out = done("fine 1", "full", "fine 2", pool=pool)
    assert opened == [2, 1]
    assert "even alone" in out.pop("full").reason
    assert out == {"fine 1": "fine 1", "fine 2": "fine 2"}


def test_a_bug_keeps_its_traceback_and_the_others_are_done():
    out = done("bug", "fine")
    assert "ZeroDivisionError: a bug on purpose" in out["bug"].bug and "hard_work.py" in out["bug"].bug
    assert out["fine"] == "fine"


@pytest.mark.parametrize("jobs", [1, 3])
def test_no_more_is_handed_out_than_a_few_a_worker(jobs):
    """So memory does not grow with the number of photos."""
    handed, through, most = 0, 0, 0

    def tasks():
        nonlocal handed, most
        for n in range(60):
            handed += 1
            most = max(most, handed - through)
            yield n

    for _ in results(tasks(), _wait, pool=ThreadPoolExecutor, jobs=jobs):
        through += 1
    assert through == 60
    # those given on between two look-ups for more are at most as many again
    assert most <= 2 * AHEAD * jobs


def _wait(n):
    time.sleep(0.001)
    return n


def test_what_ends_the_reader_ends_the_workers():
    """As when the disk is full: the tasks that wait are not done first."""
    began = time.monotonic()
    work = results([f"slow {n}" for n in range(400)], hard_work.do, pool=local_pool, jobs=1)
    next(work)
    work.close()
    assert time.monotonic() - began < 0.05 * 400
