"""The same photos give the same bytes: in another process, with another seed of hashes, with one or two jobs."""

import json
import os
import subprocess
import sys

import pytest
from trust import originals, same_scores


@pytest.fixture(scope="module")
def photos(tmp_path_factory):
    """A panel of one photo, a quarter of a sample's size, and two that are refused."""
    folder = tmp_path_factory.mktemp("photos")
    whole = originals.quarter("bow-grit-sound", "a")
    for panel, body in (("p", whole), ("q", whole[:5000]), ("r", b"a letter")):
        (folder / panel).mkdir()
        (folder / panel / "a.jpg").write_bytes(body)
    return folder


def batch(photos, out, *, jobs, hash_seed, threads):
    environment = {**os.environ, "PYTHONHASHSEED": hash_seed, "OMP_NUM_THREADS": threads, "TZ": f"UTC{hash_seed}"}
    code = "from texscan.cli import main; main()"
    line = [sys.executable, "-c", code, "batch", str(photos), "--out", str(out), "--jobs", jobs]
    done = subprocess.run(line, env=environment, capture_output=True, text=True, timeout=250)
    assert done.returncode == 0, done.stderr
    return {str(path.relative_to(out)): path.read_bytes() for path in out.rglob("*") if path.is_file()}


def test_one_job_and_two_write_the_same_bytes(photos, tmp_path):
    one = batch(photos, tmp_path / "one", jobs="1", hash_seed="1", threads="1")
    two = batch(photos, tmp_path / "two", jobs="2", hash_seed="2", threads="2")
    assert {"p/score.json", "p/relief.tif", "results.csv", "run.json"} <= set(one)
    assert [name for name in one if one[name] != two.get(name)] == []
    assert len(one) == len(two)


def test_the_comparison_of_two_results_finds_what_differs():
    one = {
        "texture": {"Sq_mm": {"value": 0.2, "low": 0.1, "high": 0.3}},
        "flags": ["one-view"],
        "texscan_version": "1",
    }
    other = json.loads(json.dumps(one)) | {"texscan_version": "2"}
    assert list(same_scores.differences(one, other)) == []
    other["texture"]["Sq_mm"]["value"] = 0.21  # 0.01 apart; 0.06 x 0.21 = 0.0126 is allowed
    (small,) = same_scores.differences(one, other)
    assert small.ratio == pytest.approx(0.01 / (0.06 * 0.21))
    other["flags"] = []
    assert max(d.ratio for d in same_scores.differences(one, other)) == float("inf")
    assert max(d.ratio for d in same_scores.differences(one, other, relative=0.001, absolute=0)) > 1
