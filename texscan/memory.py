"""Is there memory for the work? Asked before it begins: where it lacks, libraries crash or wait for ever."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator
from pathlib import Path

from texscan.errors import StorageError
from texscan.model import Photo

LEAST_BYTES = 300_000_000  # of address space, for photos of any size; measured 316 MB, most of it buffers of OpenBLAS
LEAST_FOR_HEIGHTS_BYTES = 150_000_000  # the same for a height map; measured 130 to 220 MB
BYTES_PER_PIXEL = 3  # of all photos of a patch; four of 12 megapixels took 470 MB beside the photos themselves


def check_room(photos: Iterable[Photo]) -> None:
    """
    Refuse to begin where the photos of a patch certainly do not fit; nothing is asked where the system does not tell.

    photos : none for a height map

    Notes
    -----
    The need is somewhat below what measured runs took, so that nothing is refused that would have worked. What lacks
    memory after all ends in a MemoryError, since those libraries take their share early.

    Raises
    ------
    StorageError : with the need and what is free.
    """
    pixels = sum(photo.pixels[..., 0].size for photo in photos)
    need = LEAST_BYTES + BYTES_PER_PIXEL * pixels if pixels else LEAST_FOR_HEIGHTS_BYTES
    free = free_bytes()
    if free is not None and free < need:
        raise StorageError(
            f"The work needs about {need / 1e6:.0f} MB of memory, {free / 1e6:.0f} MB are free. Close other "
            "programs, or use fewer or smaller files."
        )


def handed_over(photos: list[Photo]) -> Iterator[Photo]:
    """The photos one after the other, gone from the list: who reads them last is the only one to hold them."""
    while photos:
        yield photos.pop(0)


def free_bytes(root: Path = Path("/")) -> int | None:
    """
    What this process may still take [bytes], None where the system does not tell (it tells on Linux).

    The least of: memory and swap not in use, the limit of a container (cgroup v2), the process's own limit.
    """
    return min([*_of_the_machine(root), *_of_the_container(root), *_of_the_process(root)], default=None)


def _of_the_machine(root: Path) -> Iterator[int]:
    with contextlib.suppress(OSError, KeyError, ValueError):
        lines = (root / "proc/meminfo").read_text(encoding="ascii").splitlines()
        kib = {line.split(":")[0]: int(line.split()[1]) for line in lines}
        yield 1024 * (kib["MemAvailable"] + kib["SwapFree"])


def _of_the_container(root: Path) -> Iterator[int]:
    """Of each group that the process is in; pages of files do not count, since they can be given up at once."""
    top = root / "sys/fs/cgroup"
    with contextlib.suppress(OSError, StopIteration):
        lines = (root / "proc/self/cgroup").read_text(encoding="utf-8").splitlines()
        own = top / next(line[len("0::/") :] for line in lines if line.startswith("0::/"))
        for group in (own, *own.parents):
            if group.is_relative_to(top):
                yield from _of_a_group(group)


def _of_a_group(group: Path) -> Iterator[int]:
    with contextlib.suppress(OSError, KeyError, ValueError):  # "max" is no number: no limit
        most, held = (int((group / f"memory.{name}").read_text(encoding="ascii")) for name in ("max", "current"))
        counts = dict(line.split() for line in (group / "memory.stat").read_text(encoding="ascii").splitlines())
        yield max(0, most - held + int(counts["inactive_file"]))


def _of_the_process(root: Path) -> Iterator[int]:
    """The limit of its address space (ulimit -v), less what it has."""
    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource

        most = resource.getrlimit(resource.RLIMIT_AS)[0]
        if most != resource.RLIM_INFINITY:
            pages = int((root / "proc/self/statm").read_text(encoding="ascii").split()[0])
            yield max(0, most - pages * resource.getpagesize())
