"""What is painted over shafts of cut strips, so that colours and seams of one maker's arrows decide nothing."""

import torch

from cutting import ACROSS, ACROSS_MM, ALONG, ALONG_MM, FIRST_MM, PLACE_MM

COVERED = 0.15  # share of shafts whose tail is covered with a piece of the shaft further down, or that with another


def column(v: torch.Tensor) -> torch.Tensor:
    """[B] -> [B, 1, 1]"""
    return v[:, None, None]


def paint_shafts(x, ends, diameter, stretch, share):
    """Wraps, tape and rings of any colours painted over the shafts of strips x [B, 3, ACROSS, ALONG]: what is coloured over a
    shaft's own width is no vane. ends: mm along and across of entry and nock; stretch: factors along and across; share: of
    strips painted [B]."""
    count, device = len(x), x.device

    def rand(*n):
        return torch.rand(*n, device=device)

    (entry_along, entry_across), (nock_along, nock_across) = ends
    along = (FIRST_MM + ALONG_MM * torch.arange(ALONG, device=device).float())[None, None]  # [1, 1, ALONG]
    across = (ACROSS_MM * (torch.arange(ACROSS, device=device).float() - (ACROSS - 1) / 2))[None, :, None]
    share_along = (along - column(entry_along)) / column((nock_along - entry_along).clamp(min=40.0))
    axis = column(entry_across) + column(nock_across - entry_across) * share_along
    half = column(diameter / 2 / stretch[:, 1] * (1 + 0.15 * rand(count)))
    v = (across - axis) / half  # -1 to 1 over the shaft
    inside = torch.sigmoid((1 - v.abs()) * half / 0.45)
    # from behind the nock a wrap's length down, or tape anywhere
    wrap = rand(count) < 0.7
    tape = entry_along + (nock_along - entry_along) * (0.25 + 0.7 * rand(count))
    rear = torch.where(wrap, nock_along - 8 - 16 * rand(count), tape)
    length = torch.where(wrap, 50 + 150 * rand(count), 8 + 40 * rand(count))
    band = torch.sigmoid((column(rear) - along) / 1.5) * torch.sigmoid((along - column(rear - length)) / 1.5)
    colour = ring_colours(count, along, v, rand, device)
    # lit from one side, as bright as the picture is
    light = (x.mean((1, 2, 3)) / 0.45).clamp(0.4, 1.5)
    side = column(torch.randn(count, device=device) * 0.5)
    shade = (0.35 + 0.65 * (1 - (v - side) ** 2 / 3).clamp(0, 1)) * column(light)
    mask = inside * band * column((rand(count) < share).float() * (0.75 + 0.25 * rand(count)))
    return x * (1 - mask[:, None]) + (colour * shade[:, None]).clamp(0, 1.1) * mask[:, None]


def ring_colours(count, along, v, rand, device):
    """One colour, rings, a spiral or blocks of two or three colours [B, 3, ACROSS, ALONG]."""
    period = column(10 + 70 * rand(count) ** 1.5)
    turn = torch.where(rand(count) < 0.4, torch.randn(count, device=device) * 1.2, torch.zeros(count, device=device))
    blocks = column((rand(count) < 0.2).float()) * (v > 0).float()
    phase = (along / period + column(turn) * v + blocks * 0.5 + column(rand(count))).remainder(1.0)
    phase = torch.where(column(rand(count)) < 0.25, torch.zeros_like(phase), phase)
    second = column(0.2 + 0.5 * rand(count))
    third = column(torch.where(rand(count) < 0.5, torch.ones(count, device=device), 0.7 + 0.3 * rand(count)))
    colours = rand(count, 3, 3)
    grey = colours.mean(2, keepdim=True)
    colours = (grey + (colours - grey) * (1.8 * rand(count, 3, 1))).clamp(0.02, 1.0)  # from grey to vivid

    def pick(n):
        return colours[:, n][:, :, None, None]

    rest = torch.where((phase < third)[:, None], pick(1), pick(2))
    return torch.where((phase < second)[:, None], pick(0), rest)


def cover_tails(x, nock, fletched, may):
    """Covers the tails of some shafts of strips x with a piece of the same strip from nearer the entry, so that a bare shaft is
    left with the picture's own look; as often another stretch is covered likewise, so that the seams say nothing.
    nock: its place (PLACE_MM); returns the strips, fletched, and which are covered."""
    count, device = len(x), x.device

    def rand():
        return torch.rand(count, device=device)

    nock_px = nock * (PLACE_MM / ALONG_MM)
    length, tail = 30 + 16 * rand(), rand() < 0.5
    end = torch.where(tail, nock_px - 3.5 - 2 * rand(), nock_px - 48 - 20 * rand())
    shift = length + 2 + 12 * rand()
    may = may & (rand() < 2 * COVERED) & (end - length - shift > 12)
    column_px = torch.arange(ALONG, device=device).float()[None]
    front = torch.sigmoid((column_px - end[:, None] + length[:, None]) / 2.5)
    mask = torch.sigmoid((end[:, None] - column_px) / 0.6) * front * may[:, None].float()
    source = (column_px - shift[:, None]).round().long().clamp(0, ALONG - 1)[:, None, None].expand_as(x)
    x = x + (x.gather(3, source) - x) * mask[:, None, None]
    return x, torch.where(may & tail, torch.zeros_like(fletched), fletched), may
