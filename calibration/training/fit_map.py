"""Fits the map net on prepared photos."""

import torch
import torch.nn.functional as F

import fitting
import maps
import weights
from net import Map
from photos import PhotoSet

LOSSES = ('heatmap', 'offset', 'tag', 'direction', 'mask')
WIDTHS = (16, 24, 40, 72, 104)
START_BATCH = 16  # crops whose statistics give the batch norms of a net that was read from the program's file


def binary(x: torch.Tensor, target: torch.Tensor) -> torch.Tensor:
    return F.binary_cross_entropy_with_logits(x, target, reduction='none')


def loss(o: torch.Tensor, t: torch.Tensor) -> tuple[torch.Tensor, torch.Tensor]:
    """Of outputs o [B, 7, n, n] against targets t [B, 9, n, n] (maps.targets)."""
    heat, counts, near = t[:, 0], t[:, 1], t[:, 2]
    # focal loss on Gaussian peaks (Law, Deng 2018, CornerNet)
    log_yes, log_no = F.logsigmoid(o[:, 0]), F.logsigmoid(-o[:, 0])
    p = torch.sigmoid(o[:, 0])
    peak = (heat > 0.8).float()
    focal = peak * (1 - p) ** 2 * log_yes + (1 - peak) * (1 - heat) ** 4 * p**2 * log_no
    heatmap = -(focal * counts).sum() / peak.sum().clamp(min=1)
    near = near * counts
    n = near.sum().clamp(min=1)
    offset = ((o[:, 1:3] - t[:, 3:5]).abs().sum(1) * near).sum() / n
    tag = (binary(o[:, 3], t[:, 5]) * near).sum() / n
    direction = ((o[:, 4:6] - t[:, 6:8]).abs().sum(1) * near).sum() / n
    mask = (binary(o[:, 6], t[:, 8]) * counts).sum() / counts.sum().clamp(min=1)
    total = heatmap + 0.5 * offset + 0.3 * tag + 0.2 * direction + 0.5 * mask
    return total, torch.stack([heatmap, offset, tag, direction, mask]).detach()


def distillation(o, teacher, counts, near, which) -> torch.Tensor:
    """How far outputs o are from a teacher's [B, 7, n, n] on the crops `which` [B] (Hinton, Vinyals, Dean 2015)."""
    weight = which[:, None, None].float()
    counts, near = counts * weight, near * counts * weight
    n = near.sum().clamp(min=1)

    def excess(c):
        target = torch.sigmoid(teacher[:, c])
        return binary(o[:, c], target) - binary(teacher[:, c], target)

    def difference(c):
        return ((o[:, c] - teacher[:, c]).abs().sum(1) * near).sum() / n

    heatmap, tag = (excess(0) * counts).sum() / n, (excess(3) * near).sum() / n
    mask = (excess(6) * counts).sum() / counts.sum().clamp(min=1)
    offset, direction = difference(slice(1, 3)), difference(slice(4, 6))
    return 0.5 * heatmap + 0.5 * offset + 0.3 * tag + 0.2 * direction + 0.5 * mask


def fit(photos: PhotoSet, schedule: fitting.Schedule, crop_px: int, start=None, teacher=None, taught=()) -> Map:
    """The running mean of the weights. start: net or the program's file to go on from; teacher: net whose outputs are kept on
    photos of the folders `taught`."""
    torch.manual_seed(schedule.seed)
    gpu = photos.device.type == 'cuda'
    net = Map(WIDTHS).to(photos.device)
    if start:
        net = Map(weights.load(start, 'map').widths).to(photos.device)
        net.load_state_dict(weights.to_fit_on(start, maps.crops(photos, START_BATCH, crop_px)[0], 'map'))
    if gpu:
        net = net.to(memory_format=torch.channels_last)
    teacher = teacher.to(photos.device).eval() if teacher else None

    def batch_loss(net, count):
        x, target, i, usual = maps.crops(photos, count, crop_px)
        if gpu:
            x = x.contiguous(memory_format=torch.channels_last)
        with torch.autocast(photos.device.type, dtype=torch.bfloat16, enabled=gpu):
            y = net(x)
        total, parts = loss(y.float(), target)
        if teacher:
            with torch.no_grad(), torch.autocast(photos.device.type, dtype=torch.bfloat16, enabled=gpu):
                of_teacher = teacher(x).float()
            kept = usual & photos.among(taught)[i]
            total = total + distillation(y.float(), of_teacher, target[:, 1], target[:, 2], kept)
        return total, parts

    return fitting.fit(net, schedule, batch_loss, LOSSES)
