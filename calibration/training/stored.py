"""Nets from files: what a fit wrote (NET.pt), or the program's own file of weights (NET.bin, see export.py)."""

import struct

import numpy as np
import torch

from net import Map, Strip

CONV = (torch.nn.Conv1d, torch.nn.Conv2d)


def layers(file):
    """weights and biases of the program's file, in the order of evaluation"""
    data = open(file, 'rb').read()
    (n, width), at, out = struct.unpack_from('<2I', data, 8), 16, []
    for _ in range(n):
        shape = struct.unpack_from('<4I', data, at)
        at += 16
        b = np.frombuffer(data, '<f4', shape[0], at)
        at += 4 * shape[0]
        if width == 1:
            step = np.frombuffer(data, '<f4', shape[0], at).reshape(-1, 1, 1, 1)
            at += 4 * shape[0]
        w = np.frombuffer(data, 'i1' if width == 1 else '<f2', int(np.prod(shape)), at).reshape(shape)
        at += width * w.size
        w = w.astype(np.float32) * (step if width == 1 else 1)
        out.append((torch.from_numpy(w), torch.from_numpy(b.copy())))
    return out


@torch.no_grad()
def folded(net):
    """weights and biases in the order of evaluation, batch norms folded in, in double precision"""
    out, mods = [], [m for m in net.modules() if isinstance(m, (*CONV, torch.nn.BatchNorm2d))]
    for m, n in zip(mods, [*mods[1:], None], strict=False):
        if not isinstance(m, CONV):
            continue
        w, b = (
            m.weight.double(),
            torch.zeros(len(m.weight), dtype=torch.double) if m.bias is None else m.bias.double(),
        )
        if isinstance(n, torch.nn.BatchNorm2d):
            s = n.weight.double() / torch.sqrt(n.running_var.double() + n.eps)
            w, b = (
                w * s.reshape(-1, *[1] * (w.dim() - 1)),
                (b - n.running_mean.double()) * s + n.bias.double(),
            )
        out.append((w, b))
    return out


@torch.no_grad()
def put(net, layers):
    """gives a net weights and biases in the order of evaluation; its batch norms then only add the biases"""
    layers = iter(layers)
    for m in net.modules():
        if isinstance(m, CONV):
            w, b = next(layers)
            m.weight.data = w.float().reshape(m.weight.shape).clone()
            if m.bias is not None:
                m.bias.data = b.float().clone()
        elif isinstance(m, torch.nn.BatchNorm2d):
            m.reset_running_stats()
            m.weight.data.fill_(1.0)
            m.eps = 1e-12
            m.bias.data = b.float().clone()


def load(file, kind):
    """a net to look with; one from the program's file has batch norms that only add the biases"""
    sd = None if file.endswith('.bin') else torch.load(file, map_location='cpu')
    L = layers(file) if sd is None else []
    if kind == 'map':
        widths = [w.shape[0] for w, _ in L[1 : len(L) // 2 + 1 : 2]]
        while sd is not None and 'enc.%d.0.weight' % len(widths) in sd:
            widths.append(sd['enc.%d.0.weight' % len(widths)].shape[0])
        net = Map(tuple(widths))
    else:
        w = (
            [w for w, _ in L]
            if sd is None
            else [sd['f.%d.0.weight' % k] for k in range(7)]
            + [sd['g.0.weight'], sd['g.2.weight'], sd['h.weight']]
        )
        net = Strip(w[0].shape[1], w[9].shape[0], tuple(w[k].shape[0] for k in (0, 1, 3, 5)), w[7].shape[-1])
    if sd is not None:
        net.load_state_dict(sd)
        return net.eval()
    put(net, L)
    return net.eval()


@torch.no_grad()
def to_fit_on(file, x, kind):
    """weights to fit a net on from: batch norms that norm by what they see in a batch x and undo it again, so that the net of
    the program's file gives the same"""
    if not file.endswith('.bin'):
        return torch.load(file, map_location=x.device)
    net = load(file, kind)
    first = next(m for m in net.modules() if isinstance(m, torch.nn.Conv2d))
    if kind == 'strip' and first.weight.shape[1] < x.shape[1]:  # planes that are new start without weight
        first.weight.data = torch.cat(
            [first.weight, torch.zeros(len(first.weight), x.shape[1] - first.weight.shape[1], 3, 3)], 1
        )
    net = net.to(x.device)
    norms, seen = [m for m in net.modules() if isinstance(m, torch.nn.BatchNorm2d)], {}
    hooks = [
        m.register_forward_pre_hook(
            lambda m, a: seen.__setitem__(m, (a[0].mean((0, 2, 3)), a[0].var((0, 2, 3), unbiased=False)))
        )
        for m in norms
    ]
    net(x)
    for h, m in zip(hooks, norms, strict=False):
        h.remove()
        mean, var = seen[m]
        m.running_mean.copy_(mean)
        m.running_var.copy_(var)
        m.bias.data += mean
        m.weight.data = torch.sqrt(var + 1e-5)
    return net.state_dict()
