"""
Bad input by the thousand: spoiled files read in process, and whole runs of the command line with spoiled files.

    python tests/trust/fuzz.py [--inputs 20000] [--runs 300] [--seed 1] [--share 1/1] [--keep FOLDER]
    python tests/trust/fuzz.py [--seed 1] --only NUMBER
    python tests/trust/fuzz.py [--seed 1] --only-run NUMBER

Each must end in a result or in one sentence of refusal: no traceback, no warning, no hang over 30 s (of processor
time), no memory over 2 GB, no file left half-written. The same seed gives the same inputs; `--only` repeats one input
or run and says how it ended, `--keep` keeps the files of those that failed, `--share 1/3` does every third one (so
that three processes do all). Ends with 1 where one failed.
Not collected by pytest: with the numbers above it takes some minutes of two idle cores. Linux.
"""

from __future__ import annotations

import os

os.environ["OMP_NUM_THREADS"] = "1"

import argparse
import random
import shutil
import tempfile
import time
from collections import Counter
from pathlib import Path

import runs
from guarded import MOST_BYTES, Done, guarded, need_linux
from handmade import BOMBS, handmade
from originals import Original, originals
from readers import FAULT, GOOD, NO_STORAGE, REFUSED, Ending, end_of, readers
from spoiling import spoiled

HANDMADE_SHARE = 0.08
WORDS = (GOOD, REFUSED, NO_STORAGE, FAULT, "lost", "too large")


def main() -> None:
    asked = _arguments()
    need_linux()
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="texscan-fuzz-") as name:
        folder = Path(name)
        whole = originals(folder)
        print(f"Seed {asked.seed}: {asked.inputs} inputs of {len(whole)} whole files, {asked.runs} runs.", flush=True)
        bad = _inputs(asked, whole, folder) if asked.only_run is None else 0
        if asked.only is None:
            numbers = _share(asked.runs, asked.share) if asked.only_run is None else [asked.only_run]
            bad += runs.table(runs.all_runs(asked.seed, numbers, folder), asked.keep)
    print(f"\n{bad} failed, {time.monotonic() - began:.0f} s.")
    raise SystemExit(1 if bad else 0)


def _share(count: int, share: str) -> list[int]:
    """Every n-th number below the count, from the k-th on, as "k/n" says."""
    first, of = map(int, share.split("/"))
    return list(range(first - 1, count, of))


def made(number: int, seed: int, whole: list[Original]) -> Original:
    """The input of this number: the bombs first, then spoiled files of each kind in turn, some made by hand."""
    rng = random.Random(f"{seed}:{number}")
    if number < len(BOMBS):
        return BOMBS[number](rng)
    if rng.random() < HANDMADE_SHARE:
        odd = handmade(rng)
        return odd if rng.random() < 0.8 else _changed(odd, rng)
    return _changed(whole[number % len(whole)], rng)


def _changed(one: Original, rng: random.Random) -> Original:
    return Original(one.kind, one.name, one.suffix, spoiled(one.body, one.suffix, rng))


def _inputs(asked: argparse.Namespace, whole: list[Original], folder: Path) -> int:
    """Read all inputs; prints the table and each failure, gives the number of failures."""
    read = readers(folder)
    noise = folder / "stderr"

    def prepare(number: int) -> tuple[Original, Path]:
        one = made(number, asked.seed, whole)
        place = folder / "work" / one.kind
        place.mkdir(parents=True, exist_ok=True)
        path = place / f"input.{one.suffix}"
        path.write_bytes(one.body)
        if one.kind == "card":
            _beside(path, folder / "card")
        return one, path

    def work(prepared: tuple[Original, Path]) -> tuple[str, Ending]:
        one, path = prepared
        before = noise.stat().st_size
        ending = end_of(read[one.kind], path)
        said = noise.read_bytes()[before:]
        return one.kind, Ending(FAULT, f"on stderr: {said[:300]!r}") if said else ending

    noise.touch()
    numbers = _share(asked.inputs, asked.share) if asked.only is None else [asked.only]
    failed: list[tuple[Done, str]] = []
    counts: dict[str, Counter] = {}
    slowest: dict[str, Done] = {}
    largest: dict[str, int] = {}
    kept_stderr = os.dup(2)
    with noise.open("ab") as stream:  # in the child too, whatever language writes there
        os.dup2(stream.fileno(), 2)
        try:
            for done in guarded(prepare, work, numbers):
                kind, ending = done.value or (made(done.number, asked.seed, whole).kind, Ending("lost", done.lost))
                how = "too large" if done.peak_bytes > MOST_BYTES else ending.how
                counts.setdefault(kind, Counter())[how] += 1
                largest[kind] = max(largest.get(kind, 0), done.peak_bytes)
                if kind not in slowest or slowest[kind].seconds < done.seconds:
                    slowest[kind] = done
                if how not in (GOOD, REFUSED):
                    failed.append((done, f"{how}, {done.peak_bytes / 1e6:.0f} MB: {ending.words}"))
                elif asked.only is not None:
                    print(f"{how}: {ending.words}")
        finally:
            os.dup2(kept_stderr, 2)
    _print_table(counts, slowest, largest)
    for done, words in failed[:40]:
        one = made(done.number, asked.seed, whole)
        print(f"\nInput {done.number} ({one.name}): {words}")
        if asked.keep:
            asked.keep.mkdir(parents=True, exist_ok=True)
            (asked.keep / f"{done.number}.{one.suffix}").write_bytes(one.body)
    return len(failed)


def _beside(path: Path, card: Path) -> None:
    """The artwork that a card file names."""
    for picture in card.glob("*.png"):
        shutil.copy(picture, path.parent / picture.name)


def _print_table(counts: dict[str, Counter], slowest: dict[str, Done], largest: dict[str, int]) -> None:
    heads = "".join(f"{word:>12}" for word in (*WORDS, "slowest s"))
    print(f"\n{'kind':<12}{'inputs':>8}{heads}{'most MB':>9}")
    for kind in sorted(counts):
        row = "".join(f"{counts[kind][word]:>12}" for word in WORDS)
        seconds, size = slowest[kind].seconds, largest[kind] / 1e6
        print(f"{kind:<12}{counts[kind].total():>8}{row}{seconds:>12.2f}{size:>9.0f}")
    total = sum(counts.values(), Counter())
    print(f"{'all':<12}{total.total():>8}" + "".join(f"{total[word]:>12}" for word in WORDS), flush=True)


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--inputs", type=int, default=20_000)
    parser.add_argument("--runs", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--share", default="1/1")
    parser.add_argument("--only", type=int)
    parser.add_argument("--only-run", type=int)
    parser.add_argument("--keep", type=Path)
    return parser.parse_args()


if __name__ == "__main__":
    main()
