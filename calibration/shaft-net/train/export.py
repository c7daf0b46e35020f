#!/usr/bin/env python3
"""export.py map|strip NET.pt OUT.bin [--vectors FILE]: folds the batch norms into the convolutions, rounds to 16-bit floats and
writes the file that the program reads. `--vectors` also writes inputs and outputs for its test, computed with the folded and
rounded weights.

File, little endian: the 8 bytes "shaftnet", u32 number of layers, per layer u32 outputs, inputs, kernel height, kernel width, then
f32 biases and f16 weights [output][input][row][column]; last the SHA-256 of everything before it."""
import argparse, hashlib, struct
import numpy as np, torch
from net import Map, Strip


def fold(net):
    """(conv, batch norm or None) in the order of evaluation -> rounded weights and biases, put back into the conv"""
    layers, mods = [], [m for m in net.modules() if isinstance(m, (torch.nn.Conv1d, torch.nn.Conv2d, torch.nn.BatchNorm2d))]
    for k, m in enumerate(mods):
        if isinstance(m, torch.nn.BatchNorm2d):
            continue
        w = m.weight.detach().double()
        b = m.bias.detach().double() if m.bias is not None else torch.zeros(len(w), dtype=torch.double)
        n = mods[k + 1] if k + 1 < len(mods) else None
        if isinstance(n, torch.nn.BatchNorm2d):
            s = n.weight.detach().double() / torch.sqrt(n.running_var.double() + n.eps)
            w = w * s.reshape(-1, *[1] * (w.dim() - 1))
            b = (b - n.running_mean.double()) * s + n.bias.detach().double()
            n.reset_running_stats(); n.weight.data.fill_(1.); n.bias.data.zero_(); n.eps = 0.
        w, b = w.numpy().astype(np.float16), b.numpy().astype(np.float32)
        m.weight.data = torch.from_numpy(w.astype(np.float32)); m.bias = torch.nn.Parameter(torch.from_numpy(b.copy()))
        layers.append((w.reshape(*w.shape[:2], *(w.shape[2:] if w.ndim == 4 else (1, w.shape[2]))), b))
    return layers


def noise(shape, seed):
    """the same pseudo-random inputs as the program's test: a 32-bit linear congruential generator (a = 1664525, c = 1013904223)"""
    n, s = int(np.prod(shape)), seed
    v = np.empty(n, np.float32)
    for i in range(n):
        s = (s * 1664525 + 1013904223) % 2**32
        v[i] = (s >> 8) / 2**24 - .5
    return torch.from_numpy(v.reshape(shape))


def main():
    ap = argparse.ArgumentParser()
    ap.add_argument('kind', choices=['map', 'strip']); ap.add_argument('net'); ap.add_argument('out'); ap.add_argument('--vectors')
    o = ap.parse_args()
    sd = torch.load(o.net, map_location='cpu')
    if o.kind == 'map':
        w, k = [], 0
        while 'enc.%d.0.weight' % k in sd:
            w.append(sd['enc.%d.0.weight' % k].shape[0]); k += 1
        net = Map(tuple(w), sd['head.weight'].shape[0])
    else:
        net = Strip(sd['f.0.0.weight'].shape[1], sd['h.weight'].shape[0], tuple(sd['f.%d.0.weight' % k].shape[0] for k in (0, 1, 3, 5)), sd['g.0.weight'].shape[2])
    net.load_state_dict(sd); net.eval()
    layers = fold(net)
    data = b'shaftnet' + struct.pack('<I', len(layers))
    for w, b in layers:
        data += struct.pack('<4I', *w.shape) + b.astype('<f4').tobytes() + w.astype('<f2').tobytes()
    data += hashlib.sha256(data).digest()
    open(o.out, 'wb').write(data)
    print(len(layers), 'layers,', sum(w.size for w, _ in layers), 'weights,', len(data), 'bytes,', hashlib.sha256(data).hexdigest())
    if o.vectors:
        x = noise((1, 6, 64, 96), 1) if o.kind == 'map' else noise((1, sd['f.0.0.weight'].shape[1], 32, 192), 2)
        with torch.no_grad():
            y = net(x)
        open(o.vectors, 'wb').write(y.numpy().astype('<f4').tobytes())


if __name__ == '__main__':
    main()
