"""What a process may still take is told right, and work that does not fit is refused before it begins."""

import os
import re
import subprocess
import sys

import numpy as np
import pytest
import tifffile

from texscan import memory, samples
from texscan.errors import StorageError
from texscan.model import Photo

# as proc(5) and the kernel's cgroup-v2 documentation have them
MEMINFO = "MemTotal:  8000000 kB\nMemFree:  100000 kB\nMemAvailable:  3000000 kB\nSwapFree:  500000 kB\n"


def laid(root, files):
    for name, text in files.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text)
    return root


def group(path, most, held, files=0):
    place = f"sys/fs/cgroup/{path}"
    return {f"{place}memory.max": most, f"{place}memory.current": held,
            f"{place}memory.stat": f"anon 1\ninactive_file {files}\nactive_file 7\n"}  # fmt: skip


def test_free_memory_and_swap_of_the_machine_are_told(tmp_path):
    assert memory.free_bytes(laid(tmp_path, {"proc/meminfo": MEMINFO})) == 3_500_000 * 1024


@pytest.mark.parametrize(
    ("groups", "expected"),
    [
        (group("a/b/", "1000000\n", "400000\n", 50_000), 650_000),
        (group("a/b/", "max\n", "400000\n") | group("a/", "900000\n", "700000\n"), 200_000),  # a parent's is less
        (group("a/b/", "max\n", "400000\n"), 3_500_000 * 1024),
        (group("", "1000\n", "4000\n"), 0),
    ],
)
def test_a_container_may_take_less(tmp_path, groups, expected):
    root = laid(tmp_path, {"proc/meminfo": MEMINFO, "proc/self/cgroup": "0::/a/b\n", **groups})
    assert memory.free_bytes(root) == expected


def test_nothing_is_told_where_the_system_does_not_tell(tmp_path):
    assert memory.free_bytes(tmp_path) is None


def photo(rows, columns):
    return Photo("a.jpg", "", np.broadcast_to(np.uint8(0), (rows, columns, 3)), "srgb")


def test_a_large_set_is_refused_with_need_and_rest_and_a_small_one_is_not(monkeypatch):
    monkeypatch.setattr(memory, "free_bytes", lambda: 400_000_000)
    memory.check_room([photo(1000, 1000)])
    with pytest.raises(StorageError, match="needs about 444 MB of memory, 400 MB are free"):
        memory.check_room([photo(3000, 4000)] * 4)
    monkeypatch.setattr(memory, "free_bytes", lambda: None)
    memory.check_room([photo(3000, 4000)] * 4)


@pytest.mark.skipif(sys.platform != "linux", reason="the system tells on Linux")
def test_a_limit_on_the_process_counts():
    """As `ulimit -v`: 200 MB beside what it has."""
    program = (
        "import resource; from texscan import memory\n"
        "held = int(open('/proc/self/statm').read().split()[0]) * resource.getpagesize()\n"
        "resource.setrlimit(resource.RLIMIT_AS, (held + 200_000_000,) * 2)\n"
        "print(memory.free_bytes())"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=60)
    assert re.fullmatch(r"\d+\s*", done.stdout) and 190e6 < int(done.stdout) <= 200e6


LITTLE = """
import resource
from texscan import inputs, result, score
from texscan.cli import main
held = int(open("/proc/self/statm").read().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (held + 80_000_000,) * 2)
main()
"""


@pytest.mark.skipif(sys.platform != "linux", reason="the system tells on Linux")
@pytest.mark.parametrize("given", ["photo", "heights"])
def test_a_score_without_room_for_the_libraries_is_refused(tmp_path, given):
    """With 80 MB to spare, where they crashed, waited for ever or spoke themselves."""
    tifffile.imwrite(tmp_path / "heights.tif", np.zeros((400, 400), np.float32))
    what = {
        "photo": [samples.sample_path(samples.sample_panels()[0].photos[0])],
        "heights": ["--heights", tmp_path / "heights.tif", "--step-mm", "0.1"],
    }
    done = subprocess.run(
        [sys.executable, "-c", LITTLE, "score", *what[given], "--out", tmp_path / "out"],
        env={**os.environ, "OMP_NUM_THREADS": "1"}, capture_output=True, text=True, timeout=100,
    )  # fmt: skip
    assert done.returncode == 3 and re.fullmatch(r"texscan: .* memory.*\n", done.stderr)
    assert not (tmp_path / "out").exists()


def test_photos_handed_over_are_held_by_nobody_else():
    photos = [Photo(name, "", np.zeros((2, 3, 3), np.uint8), "srgb") for name in ("a.jpg", "b.jpg")]
    assert [given.file for given in memory.handed_over(photos)] == ["a.jpg", "b.jpg"]
    assert photos == []
