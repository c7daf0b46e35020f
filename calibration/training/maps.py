"""Face maps from prepared photos: random crops to fit on, whole maps to measure on. The face plane seen straight on, 1 px = 1 mm.

A crop pixel g (from the crop's middle, x right, y down) shows the face point X = c + A m(g), where A turns, mirrors and
scales and m is a weak perspective that stands for the error of a fitted camera. The planes that give the net the
direction in which shafts run (away from the camera's foot point, obliquity) come from a camera with an error of its own.
"""

import math
from collections.abc import Callable

import torch

import augmentation
import cutting
from photos import COUNTS, DIAMETER, ENTRY, FLETCHED, TAIL, PhotoSet

MARGIN_MM = 200.0  # beyond the print
CELL_PX = 2
USUAL_ERROR = 0.06  # of the camera's distance
SMALLER = 0.3  # share of crops in which shafts seem up to three times as large
LARGER = 0.08  # share of crops in which they seem up to 1.8 times as small
WITHOUT_EXIF = 0.3  # share of crops and strips of a photo whose focal length is fitted, not known
FOCAL_SD = 0.3  # of its natural logarithm where the camera is straight in front
FOCAL_TILT = 0.35  # rad: a tilt of this much makes it known by the rings
HEAT_SD = 1.1  # of the Gaussian peaks, cells


def eye_with_error(photos: PhotoSet, i: torch.Tensor, wide: bool = False) -> torch.Tensor:
    """The camera centre as a fit would have it: depth and direction are what the rings fix worst.

    wide: now and then off by as much as shafts that all lean the same way, or paper that isn't flat, put it.
    """
    n, eye = len(i), photos.eye[i]
    device, distance = eye.device, eye[:, 2:]
    sd = torch.where(torch.rand(n, 1, device=device) < 0.15, 0.05, 0.015)
    if wide:
        q = torch.rand(n, 1, device=device)
        sd = torch.where(q < 0.25, 0.1, torch.where(q < 0.33, 0.25, sd))
    foot = eye[:, :2] + distance * torch.randn(n, 2, device=device) * sd
    factor = torch.exp(torch.randn(n, 1, device=device) * 1.5 * sd.clamp(max=0.1))
    return with_focal_error(photos, i, torch.cat([foot, distance * factor], 1))


def with_focal_error(photos: PhotoSet, i: torch.Tensor, eye: torch.Tensor) -> torch.Tensor:
    """Camera centres as they come out with a wrong focal length.

    To first order the rings fix the tilt over the distance, and the focal length over the distance: tilt and distance grow with the
    focal length, the foot point's distance from the optical axis with its square.
    """
    n, device = len(i), eye.device
    axis = photos.views.rotation[i][:, 2]  # the camera's z in the face's frame
    middle = photos.eye[i, :2] - axis[:, :2] * (photos.eye[i, 2:] / axis[:, 2:].clamp(max=-0.1))
    tilt = torch.acos((-axis[:, 2:]).clamp(0, 1))
    sd = FOCAL_SD * torch.exp(-((tilt / FOCAL_TILT) ** 2)) * (torch.rand(n, 1, device=device) < WITHOUT_EXIF)
    factor = torch.exp(torch.randn(n, 1, device=device) * sd)
    return torch.cat([middle + (eye[:, :2] - middle) * factor**2, eye[:, 2:] * factor], 1)


def planes(photos, i, g, A, c, h, eye, size, augment: Callable | None = None) -> torch.Tensor:
    """Net input [B, 6, *size] for crop pixels g [n, 2]."""
    count, (height, width) = len(i), size
    m = g / (1 + g @ h[:, :, None])  # [B, n, 2]
    rgb, inside = photos.colours_at(i, c[:, None] + m @ A.transpose(1, 2))
    rgb = rgb.reshape(count, height, width, 3).permute(0, 3, 1, 2)
    inside = inside.reshape(count, 1, height, width)
    if augment is not None:
        rgb = augment(rgb)
    rgb = torch.where(inside, rgb, torch.full_like(rgb, 0.5)) - 0.5
    directions = cutting.direction_planes(g, A, torch.linalg.inv(A), c, eye)
    return torch.cat([rgb, directions.reshape(count, height, width, 3).permute(0, 3, 1, 2)], 1)


def to_crop(X, A, c, h) -> torch.Tensor:
    """Face points [B, k, 2] -> crop pixels from the middle."""
    y = (X - c[:, None]) @ torch.linalg.inv(A).transpose(1, 2)
    return y / (1 - y @ h[:, :, None])


def pixel_grid(height: int, width: int, device: torch.device) -> torch.Tensor:
    return torch.from_numpy(cutting.pixel_grid(height, width)).to(device)


def random_placement(photos: PhotoSet, i: torch.Tensor):
    """Where random crops lie: A, c, h as in `planes`, and the scale of each."""
    device, count = photos.device, len(i)
    box = photos.box[i]
    c = box[:, :2] - MARGIN_MM + torch.rand(count, 2, device=device) * (box[:, 2:] - box[:, :2] + 2 * MARGIN_MM)
    n = photos.count[i]
    k = (torch.rand(count, device=device) * n).long().clamp(max=photos.shafts.shape[1] - 1)
    near = photos.shafts[i, k, ENTRY] + torch.randn(count, 2, device=device) * 70
    c = torch.where(((torch.rand(count, device=device) < 0.7) & (n > 0))[:, None], near, c)
    angle = torch.rand(count, device=device) * 2 * math.pi
    scale = torch.exp(torch.randn(count, device=device) * 0.14)
    # a face may be smaller than the one named: everything then seems larger
    smaller = torch.exp(-1.2 * torch.rand(count, device=device))
    scale = torch.where(torch.rand(count, device=device) < SMALLER, smaller, scale)
    # or larger: everything then seems smaller
    larger = torch.exp(0.6 * torch.rand(count, device=device))
    scale = torch.where(torch.rand(count, device=device) < LARGER, larger, scale)
    mirror = torch.where(torch.rand(count, device=device) < 0.5, 1.0, -1.0)
    cos, sin = torch.cos(angle), torch.sin(angle)
    A = torch.stack([torch.stack([mirror * cos, -sin], -1), torch.stack([mirror * sin, cos], -1)], 1)
    A = A * scale[:, None, None]
    A = A @ (torch.eye(2, device=device) + torch.randn(count, 2, 2, device=device) * 0.008)
    return A, c, torch.randn(count, 2, device=device) * 1.5e-5, scale


def targets(photos: PhotoSet, i, A, c, h, scale, g, size: int) -> torch.Tensor:
    """Per cell [B, 9, n, n]: heatmap, counts, near an entry, offset x y, fletched, direction x y, shaft mask."""
    device, shafts, cells = photos.device, photos.shafts[i], size // CELL_PX

    def cell(p):
        return (to_crop(p, A, c, h) + (size - 1) / 2 - 0.5) / CELL_PX

    def per_cell(v):
        return v[:, :, None, None]

    entry, tail = cell(shafts[..., ENTRY]), cell(shafts[..., TAIL])
    length = (tail - entry).norm(dim=-1)
    direction = (tail - entry) / (length[..., None] + 1e-3)
    axis = torch.arange(cells, device=device).float()
    y, x = torch.meshgrid(axis, axis, indexing='ij')
    dx, dy = x - per_cell(entry[..., 0]), y - per_cell(entry[..., 1])
    d2 = dx * dx + dy * dy
    counts = per_cell(shafts[..., COUNTS])
    heat = (torch.exp(-d2 / (2 * HEAT_SD**2)) * counts).amax(1)
    ignored = ((d2 < 7.0) & (counts == 0)).any(1)
    nearest, j = d2.min(1)

    def of_nearest(v):
        return v.gather(1, j.flatten(1)).reshape(j.shape)

    positive = (nearest < 2.6) & (of_nearest(shafts[..., COUNTS]) > 0)
    along = dx * per_cell(direction[..., 0]) + dy * per_cell(direction[..., 1])
    across = (dx * per_cell(direction[..., 1]) - dy * per_cell(direction[..., 0])).abs()
    width = per_cell(shafts[..., DIAMETER] / (4 * scale[:, None])) * (1 + 0.5 * along / per_cell(length).clamp(min=1))
    mask = ((along > 0) & (along < per_cell(length)) & (across < width)).any(1)
    box = photos.box[i]
    X = c[:, None] + (g.reshape(size, size, 2)[::CELL_PX, ::CELL_PX].reshape(-1, 2) + 0.5) @ A.transpose(1, 2)
    inside = (box[:, None, :2] - MARGIN_MM < X) & (box[:, None, 2:] + MARGIN_MM > X)
    inside = inside.all(-1).reshape(len(i), cells, cells)

    def offset(d):
        return -d.gather(1, j[:, None])[:, 0]

    layers = [heat, (inside & ~ignored).float(), positive.float(), offset(dx), offset(dy)]
    layers += [
        of_nearest(shafts[..., FLETCHED]),
        of_nearest(direction[..., 0]),
        of_nearest(direction[..., 1]),
    ]
    return torch.stack([*layers, mask.float()], 1)


def crops(photos: PhotoSet, count: int, size: int = 384):
    """Inputs [B, 6, size, size]; targets [B, 9, n, n]; numbers of the photos [B]; whether scale and camera are about those
    that the program meets where the face is named rightly [B]."""
    i = photos.pick(count)
    A, c, h, scale = random_placement(photos, i)
    eye = eye_with_error(photos, i, wide=True)
    moved = (eye - photos.eye[i]).norm(dim=1)
    usual = (scale.log().abs() < 0.3) & (moved < USUAL_ERROR * photos.eye[i, 2])
    g = pixel_grid(size, size, photos.device)
    x = planes(photos, i, g, A, c, h, eye, (size, size), augmentation.change)
    return x, targets(photos, i, A, c, h, scale, g, size), i, usual


def whole_map(photos: PhotoSet, i: int, errors: torch.Generator | None = None):
    """The map of one photo: input [1, 6, H, W], and a function that brings face points to map pixels. `errors`: source of
    the errors of a fitted camera; None: true camera."""
    device, box = photos.device, photos.box[i]
    height, width = (int(v) // 32 * 32 for v in (box[3] - box[1] + 2 * MARGIN_MM, box[2] - box[0] + 2 * MARGIN_MM))
    one = torch.tensor([i], device=device)
    A, h = torch.tensor([[[1.0, 0.0], [0.0, -1.0]]], device=device), torch.zeros(1, 2, device=device)
    eye = photos.eye[one].clone()
    c = torch.stack([box[0] - MARGIN_MM + (width - 1) / 2, box[3] + MARGIN_MM - (height - 1) / 2])[None]
    if errors is not None:

        def normal(*n):
            return torch.randn(*n, generator=errors).to(device)

        A = A * torch.exp(normal(1, 1, 1) * 0.004) @ (torch.eye(2, device=device) + normal(1, 2, 2) * 0.004)
        h = normal(1, 2) * 7e-6
        c = c + normal(1, 2) * 0.5
        foot = eye[:, :2] + eye[:, 2:] * normal(1, 2) * 0.015
        eye = torch.cat([foot, eye[:, 2:] * torch.exp(normal(1, 1) * 0.02)], 1)
    x = planes(photos, one, pixel_grid(height, width, device), A, c, h, eye, (height, width))
    middle = torch.tensor([(width - 1) / 2, (height - 1) / 2], device=device)
    return x, lambda X: to_crop(X[None], A, c, h)[0] + middle
