#!/usr/bin/env python3
"""mean.py map|strip OUT.pt NET.pt|NET.bin… [--shares S…]: the mean of the weights of nets that were fitted on from one another, batch norms
folded in first; with shares (that add up to 1) a weighted one. One of them is a .bin, or --like names one: its layers take the weights."""
import argparse
import torch
import stored

Conv = (torch.nn.Conv1d, torch.nn.Conv2d)


@torch.no_grad()
def folded(net):
    """[(weights, biases)] in the order of evaluation"""
    out, mods = [], [m for m in net.modules() if isinstance(m, Conv + (torch.nn.BatchNorm2d,))]
    for m, n in zip(mods, mods[1:] + [None]):
        if not isinstance(m, Conv):
            continue
        w, b = m.weight.double(), torch.zeros(len(m.weight), dtype=torch.double) if m.bias is None else m.bias.double()
        if isinstance(n, torch.nn.BatchNorm2d):
            s = n.weight.double() / torch.sqrt(n.running_var.double() + n.eps)
            w, b = w * s.reshape(-1, *[1] * (w.dim() - 1)), (b - n.running_mean.double()) * s + n.bias.double()
        out.append((w, b))
    return out


@torch.no_grad()
def mean(like, nets, shares):
    """puts the mean of the nets' weights into `like`, whose batch norms only add the biases"""
    F, mods = [folded(n) for n in nets], [m for m in like.modules() if isinstance(m, Conv + (torch.nn.BatchNorm2d,))]
    layer = 0
    for m, n in zip(mods, mods[1:] + [None]):
        if not isinstance(m, Conv):
            continue
        w, b = (sum(s * f[layer][k] for s, f in zip(shares, F)).float() for k in (0, 1))
        m.weight.data = w.reshape(m.weight.shape)
        (n if isinstance(n, torch.nn.BatchNorm2d) else m).bias.data = b
        layer += 1
    return like


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument('kind', choices=['map', 'strip']); ap.add_argument('out'); ap.add_argument('nets', nargs='+'); ap.add_argument('--shares', type=float, nargs='+'); ap.add_argument('--like')
    o = ap.parse_args()
    like = o.like or next(f for f in o.nets if f.endswith('.bin'))
    net = mean(stored.load(like, o.kind), [stored.load(f, o.kind) for f in o.nets], o.shares or [1 / len(o.nets)] * len(o.nets))
    torch.save(net.state_dict(), o.out)


if __name__ == '__main__':
    main()
