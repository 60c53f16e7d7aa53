"""
A phone's camera in numpy: where it stands, its lens, its sensor, its JPEG. Works on linear radiance pictures.

The lens: distorted = undistorted (1 + k1 r^2) in units of the focal length, about a principal point that is not quite
the middle. Nothing here comes from texscan.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from PIL import Image
from PIL.TiffImagePlugin import IFDRational
from scipy.ndimage import gaussian_filter, map_coordinates

FRAME_MM = 36.0  # long side of the frame that "35 mm equivalent" refers to
FULL_WELL = 12_000  # electrons at a phone pixel's white, from memory
READ_NOISE = 4  # electrons, from memory
BLUR_PX = 0.6  # lens and demosaicing together, from memory
WHITE = 0.93  # where the BRIGHT_SHARE brightest pixels begin, of the sensor's range
BRIGHT_SHARE = 0.003
DECK_LEVEL = 0.18  # of the sensor's range, for a phone that is tapped on the deck; mid-grey, from memory
FALLOFF = 0.5  # light falls as (1 + FALLOFF r^2)^-2 off the axis; 1 would be the cos^4 law
F_NUMBER = 1.8
JPEG_QUALITY = 90
STATED_FOCAL_SHARE = 1.02  # phones round the focal length that they state


@dataclass(frozen=True)
class Camera:
    """Pose in the card frame [mm] and lens."""

    position: tuple[float, float, float]
    target: tuple[float, float, float]
    up: tuple[float, float, float]
    columns: int = 1800
    rows: int = 2400
    focal_35mm: float = 52.0
    k1: float = 0.0
    shift_px: tuple[float, float] = (0.0, 0.0)  # principal point minus the picture's middle, right and down

    @property
    def focal_px(self):
        return self.focal_35mm / FRAME_MM * max(self.columns, self.rows)

    @property
    def margin(self):
        """Columns and rows of the pinhole picture that the lens's picture is cut from."""
        return round(self.columns * 1.03) + 30, round(self.rows * 1.03) + 30

    def holds(self, points_mm, border_px):
        """Whether all these card-frame points lie in the picture, `border_px` from its edges."""
        p = self.project(points_mm)
        return bool((p > border_px).all() and (p < np.array([self.columns, self.rows]) - border_px).all())

    def axes(self):
        """(3, 3): rows are the picture's right, down and forward directions in the card frame."""
        forward = np.subtract(self.target, self.position)
        forward = forward / np.linalg.norm(forward)
        right = np.cross(forward, self.up)
        right = right / np.linalg.norm(right)
        return np.stack([right, np.cross(forward, right), forward])

    def project(self, points_mm):
        """Pixel coordinates (n, 2) of card-frame points (n, 3); (0, 0) is the corner of the first pixel."""
        p = (np.asarray(points_mm, float) - self.position) @ self.axes().T
        p = p[:, :2] / p[:, 2:]
        p = p * (1 + self.k1 * (p**2).sum(1, keepdims=True)) * self.focal_px
        return p + np.array([self.columns, self.rows]) / 2 + self.shift_px

    def undistorted(self):
        """Pinhole coordinates (2, rows, columns), in focal lengths, that each pixel of the photo looks along."""
        x = (np.arange(self.columns) + 0.5 - self.columns / 2 - self.shift_px[0]) / self.focal_px
        y = (np.arange(self.rows) + 0.5 - self.rows / 2 - self.shift_px[1]) / self.focal_px
        seen = np.stack(np.broadcast_arrays(x[None, :], y[:, None]))
        p = seen.copy()
        for _ in range(8):
            p = seen / (1 + self.k1 * (p**2).sum(0))
        return p


def hand_held(rng, outline_mm, *, distance_mm, tilt_deg=0.0, tilt_towards_deg=270.0, k1=0.0, rows=2400):
    """A camera about `distance_mm` over the card, far enough to hold it all, with the differences that hands make."""
    outline = np.column_stack([outline_mm, np.zeros(len(outline_mm))])
    azimuth, tilt = np.radians(tilt_towards_deg + rng.normal(0, 3)), np.radians(tilt_deg)
    lean = rng.normal(0, np.radians(1.2), 2)
    direction = np.array([np.sin(tilt) * np.cos(azimuth) + lean[0], np.sin(tilt) * np.sin(azimuth) + lean[1], 0])
    direction[2] = np.sqrt(1 - direction[0] ** 2 - direction[1] ** 2)
    target = (outline.min(0) + outline.max(0)) / 2 + [*rng.uniform(-4, 4, 2), 0]
    away, roll = distance_mm + rng.uniform(-8, 12), np.radians(rng.normal(0, 1.5))
    lens = {"k1": k1, "shift_px": tuple(map(float, rng.uniform(-8, 8, 2))), "rows": rows, "columns": rows * 3 // 4}
    while True:
        pose = Camera(
            position=tuple(map(float, target + direction * away)),
            target=tuple(map(float, target)),
            up=(float(-np.sin(roll)), float(np.cos(roll)), 0.0),
            **lens,
        )
        if pose.holds(outline, rows / 80):
            return pose
        away += 5


def through_lens(camera, pinhole):
    """Distort and dim a pinhole picture (margin rows, margin columns, 3) to (rows, columns, 3)."""
    p = camera.undistorted()
    rows, columns = pinhole.shape[:2]
    at = [p[1] * camera.focal_px + rows / 2 - 0.5, p[0] * camera.focal_px + columns / 2 - 0.5]
    lens = np.stack([map_coordinates(pinhole[..., c], at, order=3, mode="nearest") for c in range(3)], -1)
    dimmed = lens / (1 + FALLOFF * (p**2).sum(0))[..., None] ** 2
    return np.maximum(gaussian_filter(dimmed, (BLUR_PX, BLUR_PX, 0)), 0)


def exposure_for(lens):
    """Gain that puts all but the brightest pixels under the sensor's white."""
    return WHITE / float(np.quantile(lens.max(axis=-1), 1 - BRIGHT_SHARE))


def exposure_for_deck(lens, corners_px):
    """Gain that puts the median between these pixels (n, 2) at `DECK_LEVEL`, whatever that clips elsewhere."""
    (left, top), (right, bottom) = np.min(corners_px, 0).astype(int), np.max(corners_px, 0).astype(int)
    return DECK_LEVEL / float(np.median(lens[top:bottom, left:right].mean(axis=-1)))


def develop(lens, gain, *, s_curve, rng):
    """Sensor noise, clipping and the tone curve: (rows, columns, 3) uint8."""
    electrons = lens * gain * FULL_WELL
    noise = rng.normal(0, 1, lens.shape) * np.sqrt(electrons + READ_NOISE**2)
    noise = gaussian_filter(noise, (0.5, 0.5, 0)) * 1.3  # demosaicing and the phone's own smoothing spread it
    return np.round(255 * tone(np.clip((electrons + noise) / FULL_WELL, 0, 1), s_curve)).astype(np.uint8)


def tone(linear, s_curve):
    """IEC 61966-2-1, then a phone's contrast curve of strength `s_curve` (0 none, 1 strong)."""
    v = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return v + s_curve * v * (1 - v) * (2 * v - 1)


def save_jpeg(path, pixels, *, exposure, focal_35mm, when, orientation=1):
    """JPEG with EXIF: `exposure` is t ISO / (100 N^2), t in seconds; the focal length as phones round it."""
    turn = {1: None, 3: Image.Transpose.ROTATE_180, 6: Image.Transpose.ROTATE_90, 8: Image.Transpose.ROTATE_270}
    image = Image.fromarray(pixels)
    if turn[orientation] is not None:
        image = image.transpose(turn[orientation])
    iso = 100
    exif = Image.Exif()
    exif[0x0112], exif[0x010F], exif[0x0110] = orientation, "invented", "rendered"
    exif[0x0131] = "rendered picture, no camera"
    details = exif.get_ifd(0x8769)
    details[0x829A] = IFDRational(round(1e6 * exposure * 100 * F_NUMBER**2 / iso), 1_000_000)
    details[0x829D], details[0x8827], details[0x9003] = IFDRational(18, 10), iso, when
    details[0xA405] = round(focal_35mm * STATED_FOCAL_SHARE)
    image.save(path, "JPEG", quality=JPEG_QUALITY, exif=exif)
