"""Weights of nets: from what a fit wrote (NET.pt) or from the program's file (NET.bin), averaged, and written for the program.

The program's file, little endian: the 8 bytes "shaftnet", u32 number of layers, u32 bytes per weight; per layer u32 outputs,
inputs, kernel height, kernel width, f32 biases, with 1 byte per weight f32 steps of the outputs, then i8 or (files written
before) f16 weights [output][input][row][column]; last the SHA-256 of everything before it. Batch norms are folded into the
convolutions.
"""

import hashlib
import struct
from pathlib import Path

import numpy as np
import torch

from net import Map, Strip

CONVOLUTIONS = (torch.nn.Conv1d, torch.nn.Conv2d)
MAGIC = b'shaftnet'
Layer = tuple[torch.Tensor, torch.Tensor]  # weights and biases


def read_layers(file: str | Path) -> list[Layer]:
    """Weights and biases of the program's file, in the order of evaluation."""
    data = Path(file).read_bytes()
    (count, width), at, out = struct.unpack_from('<2I', data, len(MAGIC)), 16, []

    def take(kind: str, n: int) -> np.ndarray:
        nonlocal at
        values = np.frombuffer(data, kind, n, at)
        at += values.nbytes
        return values

    for _ in range(count):
        shape = tuple(int(v) for v in take('<u4', 4))
        bias = take('<f4', shape[0])
        step = take('<f4', shape[0]).reshape(-1, 1, 1, 1) if width == 1 else np.float32(1)
        weight = take('i1' if width == 1 else '<f2', int(np.prod(shape))).reshape(shape).astype(np.float32) * step
        out.append((torch.from_numpy(weight), torch.from_numpy(bias.copy())))
    return out


@torch.no_grad()
def folded(net: torch.nn.Module) -> list[Layer]:
    """Weights and biases in the order of evaluation, batch norms folded in, in double precision."""
    out = []
    modules = [m for m in net.modules() if isinstance(m, (*CONVOLUTIONS, torch.nn.BatchNorm2d))]
    for module, after in zip(modules, [*modules[1:], None], strict=True):
        if not isinstance(module, CONVOLUTIONS):
            continue
        w = module.weight.double()
        b = torch.zeros(len(w), dtype=torch.double) if module.bias is None else module.bias.double()
        if isinstance(after, torch.nn.BatchNorm2d):
            scale = after.weight.double() / torch.sqrt(after.running_var.double() + after.eps)
            w = w * scale.reshape(-1, *[1] * (w.dim() - 1))
            b = (b.to(scale) - after.running_mean.double()) * scale + after.bias.double()
        out.append((w.cpu(), b.cpu()))
    return out


@torch.no_grad()
def put(net: torch.nn.Module, layers: list[Layer]) -> None:
    """Gives a net weights and biases in the order of evaluation; its batch norms then only add the biases."""
    layers = iter(layers)
    for module in net.modules():
        if isinstance(module, CONVOLUTIONS):
            w, b = next(layers)
            module.weight.data = w.float().reshape(module.weight.shape).clone()
            if module.bias is not None:
                module.bias.data = b.float().clone()
        elif isinstance(module, torch.nn.BatchNorm2d):
            module.reset_running_stats()
            module.weight.data.fill_(1.0)
            module.eps = 1e-12
            module.bias.data = b.float().clone()


def load(file: str | Path, kind: str) -> Map | Strip:
    """The net of either kind of file, to evaluate."""
    if str(file).endswith('.bin'):
        layers = read_layers(file)
        shapes = [w.shape for w, _ in layers]
        net = Map([s[0] for s in shapes[1 : len(shapes) // 2 + 1 : 2]]) if kind == 'map' else strip_of(shapes)
        put(net, layers)
        return net.eval()
    state = torch.load(file, map_location='cpu')
    shapes = [v.shape for k, v in state.items() if k.endswith('weight') and v.dim() > 1]
    net = Map([s[0] for s in shapes[1 : len(shapes) // 2 + 1 : 2]]) if kind == 'map' else strip_of(shapes)
    net.load_state_dict(state)
    return net.eval()


def strip_of(shapes: list[tuple[int, ...]]) -> Strip:
    """A strip net whose convolutions have these shapes."""
    return Strip(shapes[0][1], shapes[9][0], tuple(shapes[k][0] for k in (0, 1, 3, 5)), shapes[7][-1])


@torch.no_grad()
def to_fit_on(file: str | Path, batch: torch.Tensor, kind: str) -> dict[str, torch.Tensor]:
    """Weights to go on fitting from. A net of the program's file gets batch norms that normalise by what they see in a batch and
    undo it again, so that its outputs stay the same."""
    if not str(file).endswith('.bin'):
        return torch.load(file, map_location=batch.device)
    net = load(file, kind).to(batch.device)
    norms, statistics = [m for m in net.modules() if isinstance(m, torch.nn.BatchNorm2d)], {}

    def remember(module, inputs):
        statistics[module] = inputs[0].mean((0, 2, 3)), inputs[0].var((0, 2, 3), unbiased=False)

    hooks = [m.register_forward_pre_hook(remember) for m in norms]
    net(batch)
    for hook, module in zip(hooks, norms, strict=True):
        hook.remove()
        mean, variance = statistics[module]
        module.running_mean.copy_(mean)
        module.running_var.copy_(variance)
        module.bias.data += mean
        module.weight.data = torch.sqrt(variance + 1e-5)
    return net.state_dict()


def average(nets: list[torch.nn.Module], shares: list[float] | None = None) -> torch.nn.Module:
    """The mean of the weights of nets that were fitted on from one another, batch norms folded in first; with shares (which add
    up to 1) a weighted one."""
    shares = shares or [1 / len(nets)] * len(nets)
    layers = []
    for same in zip(*map(folded, nets), strict=True):
        layers.append(tuple(sum(s * v for s, v in zip(shares, part, strict=True)) for part in zip(*same, strict=True)))
    mean = type(nets[0])(**nets[0].shape)
    put(mean, layers)
    return mean.eval()


def rounded(net: torch.nn.Module) -> list[tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Weights rounded to one byte, steps and biases in the order of evaluation; the rounded ones are put into the net."""
    used, layers = [], []
    for weight, bias in folded(net):
        w, b = weight.numpy(), bias.numpy().astype(np.float32)
        step = (np.abs(w).max(axis=tuple(range(1, w.ndim))) / 127).clip(1e-12).astype(np.float32)
        each = step.reshape(-1, *[1] * (w.ndim - 1))
        w = np.rint(w / each.astype(float)).astype(np.int8)
        used.append((torch.from_numpy(w.astype(np.float32) * each), torch.from_numpy(b)))
        layers.append((w if w.ndim == 4 else w[:, :, None], step, b))
    put(net, used)
    return layers


def noise(shape: tuple[int, ...], seed: int) -> torch.Tensor:
    """The pseudo-random inputs of the program's test: a 32-bit linear congruential generator (a = 1664525, c = 1013904223)."""
    values, state = np.empty(int(np.prod(shape)), np.float32), seed
    for i in range(len(values)):
        state = (state * 1664525 + 1013904223) % 2**32
        values[i] = (state >> 8) / 2**24 - 0.5
    return torch.from_numpy(values.reshape(shape))


def write(net: Map | Strip, file: Path) -> None:
    """Writes the program's file and its test vector beside it (NAME-vector.bin): outputs for fixed input, with rounded weights."""
    is_map = isinstance(net, Map)
    net = average([net.cpu()])  # a copy with folded batch norms
    layers = rounded(net)
    data = MAGIC + struct.pack('<2I', len(layers), 1)
    for w, step, b in layers:
        data += struct.pack('<4I', *w.shape) + b.astype('<f4').tobytes() + step.astype('<f4').tobytes() + w.tobytes()
    digest = hashlib.sha256(data)
    file.write_bytes(data + digest.digest())
    x = noise((1, 6, 64, 96), 1) if is_map else noise((1, net.shape['inputs'], 32, 192), 2)
    with torch.no_grad():
        file.with_name(file.stem + '-vector.bin').write_bytes(net(x).numpy().astype('<f4').tobytes())
    print(f'{file}: {len(layers)} layers, {sum(w.size for w, _, _ in layers)} weights')
