"""Changes of light, colour, sharpness and noise that a shaft finder must not mind."""

import math

import torch
import torch.nn.functional as F


def uniform(B, a, b, dev):
    return (torch.rand(B, device=dev) * (b - a) + a)[:, None, None, None]


def normal(B, sd, dev):
    return (torch.randn(B, device=dev) * sd)[:, None, None, None]


def chance(B, p, dev):
    return (torch.rand(B, device=dev) < p).float()[:, None, None, None]


def blurred(x, taps):
    k = torch.tensor(taps, device=x.device, dtype=x.dtype)
    k, r, (B, C, h, w) = k / k.sum(), len(taps) // 2, x.shape
    y = F.pad(x.reshape(B * C, 1, h, w), (r, r, r, r), mode='replicate')
    return F.conv2d(F.conv2d(y, k[None, None, :, None]), k[None, None, None, :]).reshape(B, C, h, w)


def hue_turn(B, dev):
    """rotation of colour space about grey by a small angle, rarely by any"""
    a = torch.where(
        torch.rand(B, device=dev) < 0.15,
        torch.rand(B, device=dev) * 2 * math.pi,
        torch.randn(B, device=dev) * 0.12,
    )
    c, s, q = torch.cos(a)[:, None, None], torch.sin(a)[:, None, None], 1 / math.sqrt(3)
    K = torch.tensor([[0, -q, q], [q, 0, -q], [-q, q, 0]], device=dev)
    return torch.eye(3, device=dev) * c + K * s + (1 - c) / 3


def change(x, blur=1.0):
    """x: [B, 3, h, w], 0-1 -> the same under other conditions; blur: how far at most towards a blurred copy"""
    B, _, h, w = x.shape
    dev = x.device
    m = x.mean(1, keepdim=True)
    x = m + (x - m) * torch.where(chance(B, 0.6, dev) > 0, uniform(B, 0.35, 1.35, dev), torch.ones(B, 1, 1, 1, device=dev))
    turned = torch.einsum('bij,bjhw->bihw', hue_turn(B, dev), x)
    x = torch.where(chance(B, 0.5, dev) > 0, turned, x).clamp(0, 1.2)
    x = x * torch.exp(torch.randn(B, 3, 1, 1, device=dev) * 0.12) * torch.exp(normal(B, 0.15, dev))
    x = x.clamp(min=1e-3) ** torch.exp(normal(B, 0.22, dev))
    # uneven light, and shadows with a straight edge or as a band
    gy, gx = torch.meshgrid(
        torch.linspace(-1, 1, h, device=dev) * h / max(h, w),
        torch.linspace(-1, 1, w, device=dev) * w / max(h, w),
        indexing='ij',
    )
    a = uniform(B, 0, 2 * math.pi, dev)
    along = gx * torch.cos(a) + gy * torch.sin(a)
    x = x * (1 + normal(B, 0.12, dev) * along).clamp(0.4, 1.6)
    scale = 2 / max(h, w)  # of a pixel
    edge = torch.sigmoid((along - normal(B, 0.5, dev)) / (uniform(B, 0.7, 10, dev) * scale))
    x = x * (1 - chance(B, 0.25, dev) * uniform(B, 0.15, 0.6, dev) * edge)
    a = uniform(B, 0, 2 * math.pi, dev)
    across, length = (
        gx * torch.cos(a) + gy * torch.sin(a) - normal(B, 0.4, dev),
        gy * torch.cos(a) - gx * torch.sin(a),
    )
    half, soft = uniform(B, 1.5, 7, dev) * scale, uniform(B, 0.5, 2, dev) * scale
    band = torch.sigmoid((half - across.abs()) / soft) * torch.sigmoid((length - normal(B, 0.4, dev)) / soft)
    x = x * (1 - chance(B, 0.25, dev) * uniform(B, 0.15, 0.65, dev) * band)
    # sharpness: towards a blurred copy or away from it
    soft = torch.where(chance(B, 0.6, dev) > 0, blurred(x, [1, 4, 6, 4, 1]), blurred(x, [1, 3, 6, 9, 10, 9, 6, 3, 1]))
    x = x + (soft - x) * torch.where(chance(B, 0.35, dev) > 0, blur * uniform(B, 0.3, 1, dev), uniform(B, -0.5, 0.2, dev))
    coarse = F.interpolate(
        torch.randn(B, 3, (h + 1) // 2, (w + 1) // 2, device=dev),
        size=(h, w),
        mode='bilinear',
        align_corners=False,
    )
    x = x + torch.randn_like(x) * normal(B, 0.022, dev).abs() + coarse * normal(B, 0.015, dev).abs()
    return (x * torch.exp(normal(B, 0.1, dev)) + normal(B, 0.035, dev)).clamp(0, 1)
