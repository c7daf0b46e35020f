"""The two nets.

`Map`: a U-Net on face maps (6 planes at 1 mm: red, green, blue, unit direction away from the camera's foot point, obliquity) ->
per 2 mm cell: entry logit, offset x y (cells), fletched logit, shaft direction x y, shaft-mask logit.
`Strip`: a strip of the photo along one candidate -> per 16 mm: nock logit, fletched logit, shaft logit; the mean of the last
over all places is the log-odds of "this is a shaft, and it enters here".
"""

from collections.abc import Sequence

import torch
import torch.nn.functional as F
from torch import nn

ENTRY_LOGIT = -4.6  # entries are rare: the fit starts from 1 %


def convolution(inputs: int, outputs: int, stride: int | tuple[int, int] = 1) -> list[nn.Module]:
    conv = nn.Conv2d(inputs, outputs, 3, stride=stride, padding=1, bias=False)
    return [conv, nn.BatchNorm2d(outputs), nn.ReLU(inplace=True)]


def double_convolution(inputs: int, outputs: int) -> nn.Sequential:
    return nn.Sequential(*convolution(inputs, outputs), *convolution(outputs, outputs))


class Map(nn.Module):
    def __init__(self, widths: Sequence[int], outputs: int = 7):
        super().__init__()
        w = tuple(widths)
        self.widths, self.shape = w, {'widths': w, 'outputs': outputs}
        self.enc = nn.ModuleList([double_convolution(12 + 3, w[0])])
        self.enc.extend(double_convolution(w[k], w[k + 1]) for k in range(len(w) - 1))
        self.dec = nn.ModuleList([double_convolution(w[k] + w[k + 1], w[k]) for k in range(len(w) - 1)])
        self.head = nn.Conv2d(w[0], outputs, 1)
        nn.init.constant_(self.head.bias, 0.0)
        self.head.bias.data[0] = ENTRY_LOGIT

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        x = torch.cat([F.pixel_unshuffle(x[:, :3], 2), F.avg_pool2d(x[:, 3:], 2)], 1)
        skip = []
        for k, encode in enumerate(self.enc):
            x = encode(F.max_pool2d(x, 2) if k else x)
            skip.append(x)
        for k in range(len(self.dec) - 1, -1, -1):
            x = self.dec[k](torch.cat([F.interpolate(x, scale_factor=2.0, mode='nearest'), skip[k]], 1))
        return self.head(x)


class Strip(nn.Module):
    def __init__(self, inputs: int, outputs: int, widths: Sequence[int], kernel: int):
        super().__init__()
        a, b, c, d = widths
        self.shape = {'inputs': inputs, 'outputs': outputs, 'widths': (a, b, c, d), 'kernel': kernel}
        steps = [(inputs, a, 1), (a, b, 2), (b, b, 1), (b, c, 2), (c, c, 1), (c, d, (2, 1)), (d, d, 1)]
        self.f = nn.Sequential(*(nn.Sequential(*convolution(*step)) for step in steps))
        along = [nn.Conv1d(2 * d, d, kernel, padding=kernel // 2), nn.ReLU(inplace=True)]
        along += [nn.Conv1d(d, d, kernel, padding=kernel // 2), nn.ReLU(inplace=True)]
        self.g = nn.Sequential(*along)
        self.h = nn.Conv1d(d, outputs, 1)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        x = self.f(x)
        return self.h(self.g(torch.cat([x.amax(2), x.mean(2)], 1)))
