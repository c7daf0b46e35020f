"""Face maps from prepared photos: random crops to fit on, whole maps to measure on. The face plane seen straight on, 1 px = 1 mm.

A crop pixel g (from the crop's middle, x right, y down) shows the face point X = c + A m(g), where A turns, mirrors and scales
and m is a weak perspective that stands for the error of a fitted camera. The planes that tell the net how shafts run (direction
away from the camera's foot point, obliquity) come from a camera with an error of its own."""

import math

import torch

import light

MARGIN = 200.0  # mm beyond the print
CELL = 2  # px
USUAL_ERROR = 0.06  # of the camera's distance
SMALLER = 0.3  # share of crops in which shafts seem up to three times as large


def eye_with_error(store, i, on=1.0, wide=False):
    """The camera centre as a fit would have it: depth and direction are what the rings fix worst. wide: now and then off by as much as
    shafts that all lean the same way, or paper that isn't flat, put it"""
    B, e = len(i), store.eye[i]
    D = e[:, 2:]
    sd = torch.where(torch.rand(B, 1, device=e.device) < 0.15, 0.05, 0.015) * on
    if wide:
        q = torch.rand(B, 1, device=e.device)
        sd = torch.where(q < 0.25, 0.1, torch.where(q < 0.33, 0.25, sd))
    return torch.cat(
        [
            e[:, :2] + D * torch.randn(B, 2, device=e.device) * sd,
            D * torch.exp(torch.randn(B, 1, device=e.device) * 1.5 * sd.clamp(max=0.1)),
        ],
        1,
    )


def planes(store, i, g, A, c, h, eye, S, change=None):
    """net input [B, 6, *S] for crop pixels g [n, 2]"""
    B, (H, W) = len(i), S
    m = g / (1 + g @ h[:, :, None])  # [B, n, 2]
    X = c[:, None] + m @ A.transpose(1, 2)
    rgb, ok = store.colour(i, store.project(i, X))
    rgb = rgb.reshape(B, H, W, 3).permute(0, 3, 1, 2)
    ok = ok.reshape(B, 1, H, W)
    if change is not None:
        rgb = change(rgb)
    rgb = torch.where(ok, rgb, torch.full_like(rgb, 0.5)) - 0.5
    d = c[:, None] + g @ A.transpose(1, 2) - eye[:, None, :2]
    r = d.norm(dim=-1, keepdim=True) + 1e-3
    u = d @ torch.linalg.inv(A).transpose(1, 2)
    u = u / (u.norm(dim=-1, keepdim=True) + 1e-3)
    d = torch.cat([u, (r / eye[:, None, 2:]).clamp(max=2.0)], -1).reshape(B, H, W, 3).permute(0, 3, 1, 2)
    return torch.cat([rgb, d], 1)


def to_crop(X, A, c, h):
    """face points [B, k, 2] -> crop pixels from the middle"""
    y = (X - c[:, None]) @ torch.linalg.inv(A).transpose(1, 2)
    return y / (1 - y @ h[:, :, None])


def grid(H, W, dev):
    y, x = torch.meshgrid(
        torch.arange(H, device=dev).float(), torch.arange(W, device=dev).float(), indexing='ij'
    )
    return torch.stack([x - (W - 1) / 2, y - (H - 1) / 2], -1).reshape(-1, 2)


def batch(store, B, size=384):
    """inputs [B, 6, size, size]; targets [B, 9, n, n] per cell: heat, counts, near an entry, offset x y, fletched, direction x y, mask;
    numbers of the photos [B]; whether scale and camera are about those that the program meets where the face is named rightly [B]"""
    dev = store.device
    i = store.pick(B)
    box = store.box[i]
    c = box[:, :2] - MARGIN + torch.rand(B, 2, device=dev) * (box[:, 2:] - box[:, :2] + 2 * MARGIN)
    n = store.count[i]
    k = (torch.rand(B, device=dev) * n).long().clamp(max=store.shafts.shape[1] - 1)
    near = store.shafts[i, k, :2] + torch.randn(B, 2, device=dev) * 70
    c = torch.where(((torch.rand(B, device=dev) < 0.7) & (n > 0))[:, None], near, c)
    a, s = torch.rand(B, device=dev) * 2 * math.pi, torch.exp(torch.randn(B, device=dev) * 0.14)
    # a face may be smaller than it was called: everything then seems larger
    s = torch.where(torch.rand(B, device=dev) < SMALLER, torch.exp(-1.2 * torch.rand(B, device=dev)), s)
    f = torch.where(torch.rand(B, device=dev) < 0.5, 1.0, -1.0)
    A = (
        torch.stack(
            [
                torch.stack([f * torch.cos(a), -torch.sin(a)], -1),
                torch.stack([f * torch.sin(a), torch.cos(a)], -1),
            ],
            1,
        )
        * s[:, None, None]
    )
    A = A @ (torch.eye(2, device=dev) + torch.randn(B, 2, 2, device=dev) * 0.008)
    h = torch.randn(B, 2, device=dev) * 1.5e-5
    eye = eye_with_error(store, i, wide=True)
    usual = (s.log().abs() < 0.3) & ((eye - store.eye[i]).norm(dim=1) < USUAL_ERROR * store.eye[i, 2])
    g = grid(size, size, dev)
    x = planes(store, i, g, A, c, h, eye, (size, size), light.change)
    # targets
    E = store.shafts[i]
    m = size // CELL

    def cell(p):
        return (p + (size - 1) / 2 - 0.5) / CELL

    P, Q = cell(to_crop(E[..., :2], A, c, h)), cell(to_crop(E[..., 2:4], A, c, h))
    V = Q - P
    length = V.norm(dim=-1)
    U = V / (length[..., None] + 1e-3)
    cy, cx = torch.meshgrid(
        torch.arange(m, device=dev).float(), torch.arange(m, device=dev).float(), indexing='ij'
    )

    def w(v):
        return v[:, :, None, None]

    ex, ey = cx - w(P[..., 0]), cy - w(P[..., 1])
    d2 = ex * ex + ey * ey
    heat, counts = torch.exp(-d2 / (2 * 1.1**2)), w(E[..., 10])
    hot = (heat * counts).amax(1)
    ignored = ((d2 < 7.0) & (counts == 0)).any(1)
    dist, j = d2.min(1)

    def pick(v):
        return v.gather(1, j.flatten(1)).reshape(j.shape)

    pos = (dist < 2.6) & (pick(E[..., 10]) > 0)
    along, across = ex * w(U[..., 0]) + ey * w(U[..., 1]), (ex * w(U[..., 1]) - ey * w(U[..., 0])).abs()
    L = w(length)
    mask = (
        (along > 0)
        & (along < L)
        & (across < w(E[..., 8] / (4 * s[:, None])) * (1 + 0.5 * along / L.clamp(min=1)))
    ).any(1)
    X = c[:, None] + (g.reshape(size, size, 2)[::CELL, ::CELL].reshape(-1, 2) + 0.5) @ A.transpose(1, 2)
    inside = ((box[:, None, :2] - MARGIN < X) & (box[:, None, 2:] + MARGIN > X)).all(-1).reshape(B, m, m)

    def off(e):
        return -e.gather(1, j[:, None])[:, 0]

    return (
        x,
        torch.stack(
            [
                hot,
                (inside & ~ignored).float(),
                pos.float(),
                off(ex),
                off(ey),
                pick(E[..., 9]),
                pick(U[..., 0]),
                pick(U[..., 1]),
                mask.float(),
            ],
            1,
        ),
        i,
        usual,
    )


def whole(store, i, error=None):
    """The map of one photo: input [1, 6, H, W], and a function that brings face points to map pixels. `error`: a generator for the
    errors of a fitted camera; None: true camera."""
    dev = store.device
    box = store.box[i]
    H, W = (int(v) // 32 * 32 for v in (box[3] - box[1] + 2 * MARGIN, box[2] - box[0] + 2 * MARGIN))
    A, h = torch.tensor([[[1.0, 0.0], [0.0, -1.0]]], device=dev), torch.zeros(1, 2, device=dev)
    one = torch.tensor([i], device=dev)
    eye = store.eye[one].clone()
    c = torch.stack([box[0] - MARGIN + (W - 1) / 2, box[3] + MARGIN - (H - 1) / 2])[None]
    if error is not None:

        def r(*n):
            return torch.randn(*n, generator=error).to(dev)

        A = A * torch.exp(r(1, 1, 1) * 0.004) @ (torch.eye(2, device=dev) + r(1, 2, 2) * 0.004)
        h = r(1, 2) * 7e-6
        c = c + r(1, 2) * 0.5
        eye = torch.cat(
            [eye[:, :2] + eye[:, 2:] * r(1, 2) * 0.015, eye[:, 2:] * torch.exp(r(1, 1) * 0.02)], 1
        )
    x = planes(store, one, grid(H, W, dev), A, c, h, eye, (H, W))
    middle = torch.tensor([(W - 1) / 2, (H - 1) / 2], device=dev)
    return x, lambda X: to_crop(X[None], A, c, h)[0] + middle
