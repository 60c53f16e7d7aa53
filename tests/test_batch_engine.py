"""Who does the work: processes that are killed, run out of memory or meet a bug take nothing else with them."""

import os
import time
from concurrent.futures import ThreadPoolExecutor
from functools import partial

import batch_scene
import pytest

from texscan.batch.engine import AHEAD, Failure, local_pool, results
from texscan.batch.records import Common, PatchTask


def tasks_of(folder, texts):
    made = []
    for n, text in enumerate(texts):
        (folder / f"{n}.jpg").write_text(text)
        made.append(PatchTask(f"panel {n}", "", f"panel {n}", ".", (f"{n}.jpg",)))
    return made


def done(folder, texts, *, pool=ThreadPoolExecutor, jobs=2):
    work = partial(batch_scene.quick, common=Common(str(folder), ()))
    return {task.panel: result for task, result in results(tasks_of(folder, texts), work, pool=pool, jobs=jobs)}


@pytest.mark.skipif(os.name == "nt", reason="the tasks end themselves by a signal")
def test_a_task_whose_process_is_killed_is_refused_in_words_and_the_others_are_done(tmp_path):
    out = done(tmp_path, ["fine", "die", "fine", "fine"], pool=local_pool, jobs=1)
    refused = out.pop("panel 1")
    assert isinstance(refused, Failure) and "memory" in refused.reason and not refused.bug
    assert len(out) == 3 and all(result.files for result in out.values())


def test_a_task_without_memory_is_tried_once_more_alone_then_refused(tmp_path):
    opened = []

    def pool(jobs):
        opened.append(jobs)
        return ThreadPoolExecutor(jobs)

    out = done(tmp_path, ["fine", "full", "fine"], pool=pool)
    assert opened == [2, 1]
    assert "even alone" in out["panel 1"].reason
    assert out["panel 0"].files and out["panel 2"].files


def test_a_bug_keeps_its_traceback_and_the_others_are_done(tmp_path):
    out = done(tmp_path, ["bug", "fine"])
    assert "ZeroDivisionError: a bug on purpose" in out["panel 0"].bug and "quick" in out["panel 0"].bug
    assert out["panel 1"].files


@pytest.mark.parametrize("jobs", [1, 3])
def test_no_more_is_handed_out_than_a_few_a_worker(jobs):
    """So memory does not grow with the number of photos."""
    handed, through, most = 0, 0, 0

    def endless():
        nonlocal handed, most
        for n in range(60):
            handed += 1
            most = max(most, handed - through)
            yield n

    for _ in results(endless(), _wait, pool=ThreadPoolExecutor, jobs=jobs):
        through += 1
    assert through == 60
    # those given on between two look-ups for more are at most as many again
    assert most <= 2 * AHEAD * jobs


def _wait(n):
    time.sleep(0.001)
    return n
