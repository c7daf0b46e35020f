"""Cutting face maps and strips out of photos, as `src/shaft/map.rs` and `src/shaft/strip.rs` do.

Only operations that NumPy and PyTorch have in common are used: the fits cut whole batches on a GPU, and
`compare_cuts.py` compares the cuts with the program's without PyTorch. B: photos or candidates of a batch, n: points.
Lengths are millimetres of the face, pixels those of the prepared photo.
"""

from typing import Any, NamedTuple

import numpy as np

Array = Any  # numpy.ndarray or torch.Tensor

ALONG, ACROSS = 192, 32  # pixels of a strip along the shaft and across it
ALONG_MM, ACROSS_MM = 4.0, 1.5  # size of a strip pixel
FIRST_MM = -32.0  # height of the first pixel: the strip begins before the entry
PIXELS_PER_PLACE = 4  # along, for each place that the strip net has an output for
PLACE_MM = ALONG_MM * PIXELS_PER_PLACE
NEIGHBOURS = 24  # most other candidates that count, best first
NEIGHBOUR_SCORE = 0.2  # least map score of these
NEIGHBOUR_MM = 5.0  # half the span of a vane and its shaft: nearness falls off over it
MIN_SLOPE = 0.02  # of a projected axis: below it its direction isn't known
MAX_HEIGHT_MM = 900.0  # height up to which projected axes are followed
HEIGHT_UNIT_MM = 600.0  # of the plane of heights
SUBSAMPLES = ((-0.25, -0.25), (-0.25, 0.25), (0.25, -0.25), (0.25, 0.25))  # along, across, in pixels


class Views(NamedTuple):
    """Cameras of B photos, and where the pixels of each lie in the buffer."""

    rotation: Array  # [B, 3, 3], face to camera
    translation: Array  # [B, 3], mm
    focal: Array  # [B, 2], px
    principal: Array  # [B, 2], px
    radial: Array  # [B, 2], k1 and k2
    start: Array  # [B], whole numbers: row of the buffer with the photo's first pixel
    size: Array  # [B, 2], whole numbers: width and height


def library(x: Array) -> Any:
    """numpy or torch, whichever x belongs to."""
    if isinstance(x, np.ndarray):
        return np
    import torch

    return torch


def integers(x: Array) -> Array:
    return x.astype(np.int64) if isinstance(x, np.ndarray) else x.long()


def floats(x: Array) -> Array:
    return x.astype(np.float32) if isinstance(x, np.ndarray) else x.float()


def length(x: Array) -> Array:
    """Euclidean length of the last axis, kept with one entry."""
    return library(x).sqrt((x * x).sum(-1)[..., None])


def clip(x: Array, low: float | None, high: float | None = None) -> Array:
    return library(x).clip(x, low, high)


def cross(a: Array, b: Array) -> Array:
    """Vector product over the last axis."""
    parts = [a[..., i] * b[..., j] - a[..., j] * b[..., i] for i, j in ((1, 2), (2, 0), (0, 1))]
    return library(parts[0]).stack(parts, -1)


def project(views: Views, points: Array) -> Array:
    """Points of the face plane [B, n, 2] -> pixels [B, n, 2], NaN where the lens model ends."""
    rotation = library(points).swapaxes(views.rotation, 1, 2)
    camera = points @ rotation[:, :2] + views.translation[:, None]
    depth = camera[..., 2:]
    ray = camera[..., :2] / clip(depth, 1.0)
    r2 = (ray * ray).sum(-1)[..., None]
    k1, k2 = views.radial[:, None, :1], views.radial[:, None, 1:]
    pixels = ray * (1 + k1 * r2 + k2 * r2 * r2) * views.focal[:, None] + views.principal[:, None]
    valid = (depth > 1.0) & (1 + 3 * k1 * r2 + 5 * k2 * r2 * r2 > 0.05)
    return library(points).where(valid, pixels, pixels * float('nan'))


def colours(buffer: Array, views: Views, pixels: Array) -> tuple[Array, Array]:
    """Pixels [B, n, 2] -> colours 0 to 1 [B, n, 3] by bilinear interpolation, and whether the photo reaches there [B, n]."""
    xp = library(pixels)
    last = floats(views.size[:, None] - 1)
    inside = ((pixels >= 0) & (pixels < last)).all(-1)
    pixels = xp.where(inside[..., None], pixels, xp.zeros_like(pixels))
    corner = xp.floor(pixels)
    share_x, share_y = (pixels - corner)[..., :1], (pixels - corner)[..., 1:]
    corner, width = integers(corner), views.size[:, None, 0]
    first = views.start[:, None] + corner[..., 1] * width + corner[..., 0]

    def row(index: Array) -> Array:
        left, right = floats(buffer[index][..., :3]), floats(buffer[index + 1][..., :3])
        return left + (right - left) * share_x

    upper, lower = row(first), row(first + width)
    return (upper + (lower - upper) * share_y) / 255, inside


def pixel_grid(height: int, width: int) -> np.ndarray:
    """Pixels [height * width, 2] of a crop, x and y from its middle."""
    y, x = np.meshgrid(np.arange(height), np.arange(width), indexing='ij')
    grid = np.stack([x - (width - 1) / 2, y - (height - 1) / 2], -1)
    return grid.reshape(-1, 2).astype(np.float32)


def direction_planes(grid: Array, matrix: Array, inverse: Array, centre: Array, eye: Array) -> Array:
    """Per pixel [B, n, 3]: unit vector away from the camera's foot point, in the crop's axes, and obliquity (2 at most)."""
    xp = library(grid)
    offset = centre[:, None] + grid @ xp.swapaxes(matrix, 1, 2) - eye[:, None, :2]
    distance = length(offset) + 1e-3
    unit = offset @ xp.swapaxes(inverse, 1, 2)
    unit = unit / (length(unit) + 1e-3)
    return xp.concatenate([unit, clip(distance / eye[:, None, 2:], None, 2.0)], -1)


def away_from(eye: Array, entry: Array) -> Array:
    """Unit vectors on the face plane from the camera's foot point to entries [..., 2]."""
    offset = entry - eye[..., :2]
    return offset / clip(length(offset), 1e-3)


def axes(away: Array, slope: Array) -> Array:
    """Unit vectors along shafts that lean sideways by `slope` against the direction `away`."""
    xp = library(slope)
    axis = xp.stack([-away[..., 1] * slope, away[..., 0] * slope, xp.ones_like(slope)], -1)
    return axis / length(axis)


def to_plane(eye: Array, points: Array) -> Array:
    """Where points in space are seen on the face plane."""
    stretch = eye[..., 2:] / clip(eye[..., 2:] - points[..., 2:], 1.0)
    return eye[..., :2] + (points[..., :2] - eye[..., :2]) * stretch


class StripGrid(NamedTuple):
    """Where the pixels of strips lie in space."""

    axis: Array  # [B, 3] unit vector along the shaft
    points: Array  # [B, ALONG, 3] on the axis
    across: Array  # [B, ALONG, 3] unit vectors square to the axis and to the view
    across_mm: Array  # [B, ACROSS] distance from the axis


def strip_grid(eye: Array, entry: Array, slope: Array, along_mm: Array, across_mm: Array) -> StripGrid:
    """Of strips with heights `along_mm` [B, ALONG] and distances `across_mm` [B, ACROSS]."""
    xp = library(entry)
    axis = axes(away_from(eye, entry), slope)
    start = xp.concatenate([entry, xp.zeros_like(entry[:, :1])], 1)
    points = start[:, None] + axis[:, None] * along_mm[..., None]
    across = cross(axis[:, None] + xp.zeros_like(points), eye[:, None] - points)
    return StripGrid(axis, points, across / clip(length(across), 1e-9), across_mm)


def regular_strip() -> tuple[np.ndarray, np.ndarray]:
    """Heights of a strip's columns and distances of its rows from the axis, as the program cuts it."""
    along = FIRST_MM + ALONG_MM * np.arange(ALONG, dtype=np.float32)
    across = ACROSS_MM * (np.arange(ACROSS, dtype=np.float32) - (ACROSS - 1) / 2)
    return along, across


def strip_colours(buffer: Array, views: Views, eye: Array, grid: StripGrid) -> tuple[Array, Array]:
    """Colours [B, ACROSS, ALONG, 3], and whether the photo reaches there [B, ACROSS, ALONG]: the mean of four places per pixel."""
    total, inside = 0.0, True
    for along, across in SUBSAMPLES:
        distance = grid.across_mm[..., None, None] + ACROSS_MM * across
        points = grid.points[:, None] + grid.axis[:, None, None] * (ALONG_MM * along) + grid.across[:, None] * distance
        seen = to_plane(eye[:, None, None], points).reshape(len(eye), -1, 2)
        colour, reached = colours(buffer, views, project(views, seen))
        total = total + colour / 4
        inside = inside & reached & (points[..., 2] < eye[:, None, None, 2] - 1).reshape(len(eye), -1)
    return total.reshape(-1, ACROSS, ALONG, 3), inside.reshape(-1, ACROSS, ALONG)


def strip_places(eye: Array, grid: StripGrid) -> Array:
    """Where the middles of every four pixels along are seen on the face plane [B, ACROSS * ALONG / 4, 2]."""

    def mean_of_four(v: Array) -> Array:
        return v.reshape(len(eye), ALONG // PIXELS_PER_PLACE, PIXELS_PER_PLACE, 3).mean(2)

    points = mean_of_four(grid.points)[:, None] + mean_of_four(grid.across)[:, None] * grid.across_mm[..., None, None]
    return to_plane(eye[:, None, None], points).reshape(len(eye), -1, 2)


def neighbour_planes(eye: Array, places: Array, others: Array) -> Array:
    """Two planes [B, 2, ACROSS, ALONG / 4]: nearness to the projected axis of another candidate times its score, and that
    times the height of that axis there. others [B, k, 4 or more]: entry, slope, score (0: no candidate)."""
    xp = library(places)
    shape = (len(places), ACROSS, ALONG // PIXELS_PER_PLACE)
    distance_mm = eye[:, None, 2]
    away = away_from(eye[:, None], others[..., :2])
    obliquity = length(others[..., :2] - eye[:, None, :2])[..., 0] / distance_mm
    sideways = xp.stack([-away[..., 1], away[..., 0]], -1)
    along = away * obliquity[..., None] + sideways * others[..., 2:3]
    slope = clip(length(along), MIN_SLOPE)
    along, slope = along / slope, slope * distance_mm[..., None]  # [B, k, 2], [B, k, 1]
    offset = places[:, None] - others[:, :, None, :2]  # [B, k, n, 2]
    forward = (offset * along[:, :, None]).sum(-1)
    across = offset[..., 0] * along[:, :, None, 1] - offset[..., 1] * along[:, :, None, 0]
    ahead = clip(forward, 0.0)
    height = clip(distance_mm[..., None] * ahead / (slope + ahead), None, MAX_HEIGHT_MM)
    # what lies nearer to the camera shows larger
    across = across * (1 - height / distance_mm[..., None])
    near = others[..., 3:4] * xp.exp(-0.5 * (across / NEIGHBOUR_MM) ** 2) * (forward > -NEIGHBOUR_MM)
    nearest = xp.amax(near, 1)
    of_nearest = xp.amax(xp.where(near == nearest[:, None], height, xp.zeros_like(height)), 1)
    return xp.stack([nearest, nearest * of_nearest / HEIGHT_UNIT_MM], 1).reshape(shape[0], 2, *shape[1:])
