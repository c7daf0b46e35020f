#!/usr/bin/env python3
"""mean.py map|strip OUT.pt NET.pt|NET.bin… [--shares S…]: the mean of the weights of nets that were fitted on from one another, batch norms
folded in first; with shares (that add up to 1) a weighted one."""

import argparse

import torch

import stored


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument('kind', choices=['map', 'strip'])
    ap.add_argument('out')
    ap.add_argument('nets', nargs='+')
    ap.add_argument('--shares', type=float, nargs='+')
    o = ap.parse_args()
    nets = [stored.load(f, o.kind) for f in o.nets]
    layers = zip(*map(stored.folded, nets), strict=False)
    shares = o.shares or [1 / len(nets)] * len(nets)
    stored.put(
        nets[0],
        [
            [sum(s * v for s, v in zip(shares, part, strict=False)) for part in zip(*same, strict=False)]
            for same in layers
        ],
    )
    torch.save(nets[0].state_dict(), o.out)


if __name__ == '__main__':
    main()
