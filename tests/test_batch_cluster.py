"""The same work on a dask cluster of two workers on this machine gives the same results as processes do."""

import os
import subprocess
import sys
from pathlib import Path

import batch_scene
import pytest

from texscan.batch.engine import cluster_pool
from texscan.errors import SettingsError

pytest.importorskip("distributed", reason="needs dask.distributed (extra cluster)")

PROGRAM = """
import sys
from pathlib import Path
from distributed import LocalCluster
import batch_scene
from texscan.batch.engine import cluster_pool

if __name__ == "__main__":
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=":0", host="127.0.0.1") as cluster:
        pool, jobs = cluster_pool(cluster.scheduler_address)
        assert jobs == 2, jobs
        batch_scene.run(Path(sys.argv[1]), Path(sys.argv[2]), pool=pool, jobs=jobs)
"""


def test_a_cluster_of_two_workers_gives_the_same_results(tmp_path):
    folder = batch_scene.panels(tmp_path / "photos", 5, text="fine")
    (folder / "panel 03" / "a.jpg").write_text("refuse")
    batch_scene.run(folder, tmp_path / "here")
    script = tmp_path / "cluster.py"
    script.write_text(PROGRAM)
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).parent), "OMP_NUM_THREADS": "1"}
    command = [sys.executable, str(script), str(folder), str(tmp_path / "there")]
    done = subprocess.run(command, env=env, capture_output=True, text=True, timeout=120, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert batch_scene.tree(tmp_path / "there") == batch_scene.tree(tmp_path / "here")


def test_a_scheduler_that_does_not_answer_is_named(monkeypatch):
    monkeypatch.setattr("texscan.batch.engine.CONNECT_S", 0.5)
    with pytest.raises(SettingsError, match=r"No dask scheduler answers at tcp://127\.0\.0\.1:9"):
        cluster_pool("tcp://127.0.0.1:9")
