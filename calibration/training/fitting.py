"""What both fits share: optimiser, learning rate, running mean of the weights, progress."""

import copy
import math
import time
from collections.abc import Callable
from dataclasses import dataclass

import torch

WARM_UP_STEPS = 300
MIN_RATE = 0.002  # share of the learning rate that is left at the end
MAX_MEMORY_BYTES = 0.9995  # of the running mean, per step
MAX_GRADIENT = 5.0  # norm
REPORT_STEPS = 100


@dataclass(frozen=True)
class Schedule:
    """How long and how fast a net is fitted."""

    steps: int
    batch: int
    rate: float
    weight_decay: float
    seed: int

    def rate_at(self, step: int) -> float:
        """Learning rate of a step: a linear warm-up, then half a cosine."""
        cosine = 0.5 * (1 + math.cos(math.pi * step / self.steps)) + MIN_RATE
        return self.rate * min(1.0, (step + 1) / WARM_UP_STEPS) * cosine


def device() -> torch.device:
    return torch.device('cuda' if torch.cuda.is_available() else 'cpu')


@torch.no_grad()
def update_mean(mean: torch.nn.Module, net: torch.nn.Module, step: int) -> None:
    """Moves the running mean of the weights towards those of `step` (counted from 1)."""
    memory = min(MAX_MEMORY_BYTES, 1 - 1 / (1 + step / 10))
    old, new = list(mean.parameters()), list(net.parameters())
    torch._foreach_mul_(old, memory)
    torch._foreach_add_(old, new, alpha=1 - memory)
    for a, b in zip(mean.buffers(), net.buffers(), strict=True):
        if a.is_floating_point():
            a.lerp_(b, 1 - memory)
        else:
            a.copy_(b)


def fit(net: torch.nn.Module, schedule: Schedule, batch_loss: Callable, names: tuple[str, ...]) -> torch.nn.Module:
    """Fits a net with AdamW; returns the running mean of its weights.

    batch_loss(net, batch) gives the loss and its parts, which `names` names.
    """
    mean = copy.deepcopy(net)
    optimiser = torch.optim.AdamW(net.parameters(), schedule.rate, weight_decay=schedule.weight_decay)
    total, start = torch.zeros(len(names), device=next(net.parameters()).device), time.time()
    net.train()
    for step in range(schedule.steps):
        for group in optimiser.param_groups:
            group['lr'] = schedule.rate_at(step)
        loss, parts = batch_loss(net, schedule.batch)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), MAX_GRADIENT)
        optimiser.step()
        update_mean(mean, net, step + 1)
        total += parts
        if (step + 1) % REPORT_STEPS == 0 or step + 1 == schedule.steps:
            since = (step % REPORT_STEPS) + 1
            losses = ' '.join(f'{n} {v / since:.3f}' for n, v in zip(names, total.tolist(), strict=True))
            print(f'  step {step + 1} of {schedule.steps}, {time.time() - start:.0f} s: {losses}', flush=True)
            total.zero_()
    return mean.eval()
