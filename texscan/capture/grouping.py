"""Loose photos to sets: by the tag in the photo, the card's pose, the light, the patch itself and the time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

# Agreement of two activity maps at 0.2 mm, measured on renders: another deck 0.02 at most; one patch 0.13 to 0.33
# under lights at right angles, 0.57 and more under opposed ones; one mould beside itself over 0.3 in 1 to 7 %
# of all places.
OTHER_PATCH, SURE_PATCH, SAME_PHOTO = 0.06, 0.30, 0.70
LEAST_SHARED = 2000  # pixels that two maps must have in common; chance then stays below 0.06
BLOCK = 64  # maps compared at once: bounds the memory
LONGEST_PAUSE_S = 180.0  # between two photos of one set that only time and pose hold together; common practice
LONGEST_SET_S = 1800.0  # the same for photos that surely show one patch: the next coat comes later
SAME_PLACE_MM = 150.0  # hand-held, a camera comes back to within a hand's breadth or two; from memory
SAME_TURN_DEG = 45.0  # of the picture on the card
SAME_AZIMUTH_DEG, SAME_ELEVATION_DEG = 20.0, 6.0  # a torch that was not moved between two photos
TORCH_OFF_BELOW = 0.5  # of the set's median light on the card: no shadows and this dark


@dataclass(frozen=True, slots=True)
class Pose:
    """Where the camera stood: place in the card frame [mm], and which way the picture's top points on the card."""

    position_mm: tuple[float, float, float]
    up_deg: float  # anticlockwise from +x


@dataclass(frozen=True, slots=True)
class Sighted:
    """
    What of a photo tells where it belongs.

    file : names the photo; any text, each once.
    taken_s : seconds on any clock that all photos share.
    tag : number of the printed tag in the photo.
    pose : None = no card found.
    azimuth_deg, elevation_deg : the lamp's; None = no shadows found, or not usable.
    refusal : the sentence why it is not usable; empty = it is.
    paper_light : light on the card over exposure, any unit that all photos share.
    patch : (rows, columns) activity map of the deck on the card's own grid, NaN off the deck (`same_patch.activity`).
    """

    file: str
    taken_s: float
    tag: int | None = None
    pose: Pose | None = None
    azimuth_deg: float | None = None
    elevation_deg: float | None = None
    refusal: str = ""
    paper_light: float | None = None
    patch: np.ndarray | None = None

    @property
    def is_lit(self) -> bool:
        """A usable photo with its light."""
        return self.azimuth_deg is not None and not self.refusal


@dataclass(frozen=True, slots=True)
class PhotoSet:
    """
    Photos of one patch, in the order taken.

    photos : usable, each under its own light; empty where nothing of a set is usable.
    torch_off : the photo without the torch, if there is one.
    left_out : photos of the set that are not used, each with the reason.
    """

    photos: tuple[str, ...]
    torch_off: str | None = None
    tag: int | None = None
    left_out: tuple[tuple[str, str], ...] = ()

    @property
    def files(self) -> tuple[str, ...]:
        """All photos of the set."""
        off = () if self.torch_off is None else (self.torch_off,)
        return self.photos + off + tuple(file for file, _ in self.left_out)


def group(sightings: Sequence[Sighted]) -> tuple[PhotoSet, ...]:
    """
    Photos grouped into sets; every photo is in exactly one.

    Each photo joins the earlier photos that it fits best, or opens a set. Two tags never go together; photos that
    surely show one patch do, whatever the camera did; others go by time and pose. A light comes once in a set: a
    photo under the light of another is that photo taken again if it shows the very same (the later one counts), else
    it is of another patch.

    Returns
    -------
    sets : in the order of their first photos; photos in which no card was found stand alone, in `left_out`.
    """
    order = sorted(sightings, key=lambda s: (s.taken_s, s.file))
    place = {seen.file: k for k, seen in enumerate(order)}
    table = agreements([seen.patch for seen in order])

    def likeness(members: list[Sighted], seen: Sighted) -> float | None:
        return _likeness(members, seen, [float(table[place[m.file], place[seen.file]]) for m in members])

    sets: list[list[Sighted]] = []
    for seen in (s for s in order if s.is_lit):
        _join(sets, seen, likeness)
    for seen in (s for s in order if not s.is_lit and s.pose is not None):
        _join(sets, seen, _nearness)
    sets += [[s] for s in order if not s.is_lit and s.pose is None]
    ordered = [sorted(members, key=lambda s: (s.taken_s, s.file)) for members in sets]
    return tuple(_as_set(members) for members in sorted(ordered, key=lambda m: (m[0].taken_s, m[0].file)))


def agreements(patches: Sequence[np.ndarray | None]) -> np.ndarray:
    """
    Correlation of every two activity maps where both are known (`same_patch.agreement`, all at once).

    Returns
    -------
    (n, n) float32, NaN where two cannot be compared: no map, another shape, less than LEAST_SHARED pixels in common
    """
    table = np.full((len(patches), len(patches)), np.nan, np.float32)
    known = {k: patch for k, patch in enumerate(patches) if patch is not None}
    for shape in {patch.shape for patch in known.values()}:
        own = [k for k, patch in known.items() if patch.shape == shape]
        blocks = [own[k : k + BLOCK] for k in range(0, len(own), BLOCK)]
        for number, rows in enumerate(blocks):
            for columns in blocks[number:]:
                found = _correlations(*(np.stack([known[k].ravel() for k in block]) for block in (rows, columns)))
                table[np.ix_(rows, columns)], table[np.ix_(columns, rows)] = found, found.T
    return table


def _correlations(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """(n, m) from maps (n, pixels) and (m, pixels) with NaN."""
    mine, its = (np.isfinite(maps).astype(np.float32) for maps in (one, other))
    x, y = (np.where(np.isfinite(maps), maps, 0).astype(np.float32) for maps in (one, other))
    count = np.maximum(mine @ its.T, 1)
    mean_x, mean_y = (x @ its.T) / count, (mine @ y.T) / count
    spread = ((x**2) @ its.T / count - mean_x**2) * (mine @ (y**2).T / count - mean_y**2)
    together = (x @ y.T) / count - mean_x * mean_y
    comparable = (count >= LEAST_SHARED) & (spread > 0)
    return np.where(comparable, together / np.sqrt(np.where(comparable, spread, 1)), np.nan)


def names(sets: Sequence[PhotoSet]) -> tuple[str, ...]:
    """A name for each set: "tag-03" or "set-01", and "tag-03/patch-2" where several sets show one tag."""
    tags = [one.tag for one in sets]
    result, untagged = [], 0
    for place, tag in enumerate(tags):
        if tag is None:
            untagged += 1
            result.append(f"set-{untagged:02d}")
        elif tags.count(tag) == 1:
            result.append(f"tag-{tag:02d}")
        else:
            result.append(f"tag-{tag:02d}/patch-{tags[: place + 1].count(tag)}")
    return tuple(result)


def _join(sets: list[list[Sighted]], seen: Sighted, fit) -> None:
    """Put a photo into the set that fits best, or into one of its own."""
    fits = [(found, number) for number, members in enumerate(sets) if (found := fit(members, seen)) is not None]
    if fits:
        sets[max(fits)[1]].append(seen)
    else:
        sets.append([seen])


def _likeness(members: list[Sighted], seen: Sighted, alike: list[float]) -> float | None:
    """How well a lit photo fits a set whose patches agree with its own so much; more is better, None = not at all."""
    pause = _pause_s(members, seen)
    if _other_tag(members, seen) or pause > LONGEST_SET_S:
        return None
    if any(_same_light(m, seen) and not value >= SAME_PHOTO for m, value in zip(members, alike, strict=True)):
        return None
    known = [value for value in alike if np.isfinite(value)]
    best = max(known, default=None)
    if best is not None and best >= SURE_PATCH:
        return 1.0 + best
    refuted = best is not None and best < OTHER_PATCH
    if refuted or pause > LONGEST_PAUSE_S or not _same_pose(members, seen):
        return None
    return 1.0 - pause / LONGEST_PAUSE_S


def _nearness(members: list[Sighted], seen: Sighted) -> float | None:
    """How well a photo without a usable light fits a set: the nearest in time."""
    pause = _pause_s(members, seen)
    if _other_tag(members, seen) or pause > LONGEST_PAUSE_S or not _same_pose(members, seen):
        return None
    return -pause - _apart_mm(members, seen) / SAME_PLACE_MM


def _as_set(members: list[Sighted]) -> PhotoSet:
    tag = next((m.tag for m in members if m.tag is not None), None)
    kept, left_out = _taken_last([m for m in members if m.is_lit])
    dark = [m for m in members if not m.is_lit]
    off = next((m for m in reversed(dark) if is_torch_off(m, kept)), None)
    left_out += [(m.file, m.refusal or "No shadow of the torch was found in it.") for m in dark if m is not off]
    return PhotoSet(tuple(m.file for m in kept), None if off is None else off.file, tag, tuple(left_out))


def is_torch_off(seen: Sighted, lit: Sequence[Sighted]) -> bool:
    """True where the card is seen without shadows and much darker than in the set's lit photos."""
    if seen.pose is None or seen.azimuth_deg is not None or seen.paper_light is None:
        return False
    levels = [m.paper_light for m in lit if m.paper_light is not None]
    return bool(levels) and seen.paper_light < TORCH_OFF_BELOW * float(np.median(levels))


def _taken_last(lit: list[Sighted]) -> tuple[list[Sighted], list[tuple[str, str]]]:
    """Of photos under one light the last; the others with the reason."""
    kept, left_out = [], []
    for place, seen in enumerate(lit):
        again = next((later for later in lit[place + 1 :] if _same_light(seen, later)), None)
        if again is None:
            kept.append(seen)
        else:
            left_out.append((seen.file, f"Taken again with the torch at the same place: {again.file} is used."))
    return kept, left_out


def _pause_s(members: list[Sighted], seen: Sighted) -> float:
    return min(abs(m.taken_s - seen.taken_s) for m in members)


def _other_tag(members: list[Sighted], seen: Sighted) -> bool:
    return seen.tag is not None and any(m.tag not in (None, seen.tag) for m in members)


def _same_pose(members: list[Sighted], seen: Sighted) -> bool:
    turns = [turn_between(m.pose.up_deg, seen.pose.up_deg) for m in members if m.pose and seen.pose]
    return _apart_mm(members, seen) <= SAME_PLACE_MM and min(turns, default=0.0) <= SAME_TURN_DEG


def _apart_mm(members: list[Sighted], seen: Sighted) -> float:
    """Distance of the camera's place from the nearest of the set's [mm]; 0 where no pose is known."""
    apart = [np.subtract(m.pose.position_mm, seen.pose.position_mm) for m in members if m.pose and seen.pose]
    return min((float(np.linalg.norm(step)) for step in apart), default=0.0)


def _same_light(one: Sighted, other: Sighted) -> bool:
    if one.azimuth_deg is None or other.azimuth_deg is None:
        return False
    rise = abs((one.elevation_deg or 0.0) - (other.elevation_deg or 0.0))
    return turn_between(one.azimuth_deg, other.azimuth_deg) < SAME_AZIMUTH_DEG and rise < SAME_ELEVATION_DEG


def turn_between(one_deg: float, other_deg: float) -> float:
    """Angle between two directions, 0 to 180 [deg]."""
    return abs((one_deg - other_deg + 180) % 360 - 180)
