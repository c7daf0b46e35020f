#!/usr/bin/env python3
"""export.py map|strip NET.pt|NET.bin OUT.bin [--bytes 1|2] [--vectors FILE]: folds the batch norms into the convolutions, rounds the
weights to 16-bit floats (2 bytes) or to 255 steps of each output's largest weight (1 byte) and writes the file that the program
reads. `--vectors` also writes outputs for its test, computed with the folded and rounded weights.

File, little endian: the 8 bytes "shaftnet", u32 number of layers, u32 bytes per weight, per layer u32 outputs, inputs, kernel height,
kernel width, f32 biases, with 1 byte per weight f32 steps of the outputs, then f16 or i8 weights [output][input][row][column];
last the SHA-256 of everything before it."""

import argparse
import hashlib
import struct

import numpy as np
import torch

import stored


def fold(net, width=2):
    """weights rounded to `width` bytes, steps and biases in the order of evaluation; the rounded ones are put back into the net"""
    layers, used = [], []
    for w, b in stored.folded(net):
        w, b = w.numpy(), b.numpy().astype(np.float32)
        step = (np.abs(w).max(axis=tuple(range(1, w.ndim))) / 127).clip(1e-12).astype(np.float32)
        each = step.reshape(-1, *[1] * (w.ndim - 1))
        w = np.rint(w / each.astype(float)).astype(np.int8) if width == 1 else w.astype(np.float16)
        used.append(
            (torch.from_numpy(w.astype(np.float32) * (each if width == 1 else 1)), torch.from_numpy(b))
        )
        layers.append((w.reshape(*w.shape[:2], *(w.shape[2:] if w.ndim == 4 else (1, w.shape[2]))), step, b))
    stored.put(net, used)
    return layers


def noise(shape, seed):
    """the same pseudo-random inputs as the program's test: a 32-bit linear congruential generator (a = 1664525, c = 1013904223)"""
    n, s = int(np.prod(shape)), seed
    v = np.empty(n, np.float32)
    for i in range(n):
        s = (s * 1664525 + 1013904223) % 2**32
        v[i] = (s >> 8) / 2**24 - 0.5
    return torch.from_numpy(v.reshape(shape))


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument('kind', choices=['map', 'strip'])
    ap.add_argument('net')
    ap.add_argument('out')
    ap.add_argument('--bytes', type=int, choices=[1, 2], default=2)
    ap.add_argument('--vectors')
    o = ap.parse_args()
    net = stored.load(o.net, o.kind)
    layers = fold(net, o.bytes)
    data = b'shaftnet' + struct.pack('<2I', len(layers), o.bytes)
    for w, step, b in layers:
        data += (
            struct.pack('<4I', *w.shape)
            + b.astype('<f4').tobytes()
            + (step.astype('<f4').tobytes() + w.tobytes() if o.bytes == 1 else w.astype('<f2').tobytes())
        )
    data += hashlib.sha256(data).digest()
    open(o.out, 'wb').write(data)
    print(
        len(layers),
        'layers,',
        sum(w.size for w, _, _ in layers),
        'weights,',
        len(data),
        'bytes,',
        hashlib.sha256(data).hexdigest(),
    )
    if o.vectors:
        x = (
            noise((1, 6, 64, 96), 1)
            if o.kind == 'map'
            else noise((1, net.f[0][0].weight.shape[1], 32, 192), 2)
        )
        with torch.no_grad():
            y = net(x)
        open(o.vectors, 'wb').write(y.numpy().astype('<f4').tobytes())


if __name__ == '__main__':
    main()
