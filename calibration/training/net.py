"""The two nets. `Map`: a U-Net on face maps (6 planes at 1 mm: red, green, blue, unit direction away from the camera's foot
point, obliquity) -> per 2 mm cell: entry logit, offset x y (cells), fletched logit, shaft direction x y, shaft-mask logit.
`Strip`: a strip of the photo along one candidate -> per 16 mm: nock logit, fletched logit, shaft logit."""

import torch
import torch.nn as nn
import torch.nn.functional as F


def block(i, o):
    return nn.Sequential(
        nn.Conv2d(i, o, 3, padding=1, bias=False),
        nn.BatchNorm2d(o),
        nn.ReLU(inplace=True),
        nn.Conv2d(o, o, 3, padding=1, bias=False),
        nn.BatchNorm2d(o),
        nn.ReLU(inplace=True),
    )


class Map(nn.Module):
    def __init__(self, w=(16, 24, 32, 48, 64), out=7):
        super().__init__()
        self.enc = nn.ModuleList([block(12 + 3, w[0])] + [block(w[k], w[k + 1]) for k in range(len(w) - 1)])
        self.dec = nn.ModuleList([block(w[k] + w[k + 1], w[k]) for k in range(len(w) - 1)])
        self.head = nn.Conv2d(w[0], out, 1)
        nn.init.constant_(self.head.bias, 0.0)
        self.head.bias.data[0] = -4.6  # entries are rare: start from 1 %

    def forward(self, x):
        x = torch.cat([F.pixel_unshuffle(x[:, :3], 2), F.avg_pool2d(x[:, 3:], 2)], 1)
        skip = []
        for k, e in enumerate(self.enc):
            x = e(F.max_pool2d(x, 2) if k else x)
            skip.append(x)
        for k in range(len(self.dec) - 1, -1, -1):
            x = self.dec[k](torch.cat([F.interpolate(x, scale_factor=2.0, mode='nearest'), skip[k]], 1))
        return self.head(x)


def conv(i, o, s):
    return nn.Sequential(
        nn.Conv2d(i, o, 3, stride=s, padding=1, bias=False), nn.BatchNorm2d(o), nn.ReLU(inplace=True)
    )


class Strip(nn.Module):
    def __init__(self, inputs=4, out=3, w=(16, 24, 32, 48), k=5):
        super().__init__()
        a, b, c, d = w
        self.f = nn.Sequential(
            conv(inputs, a, 1),
            conv(a, b, 2),
            conv(b, b, 1),
            conv(b, c, 2),
            conv(c, c, 1),
            conv(c, d, (2, 1)),
            conv(d, d, 1),
        )
        self.g = nn.Sequential(
            nn.Conv1d(2 * d, d, k, padding=k // 2),
            nn.ReLU(inplace=True),
            nn.Conv1d(d, d, k, padding=k // 2),
            nn.ReLU(inplace=True),
        )
        self.h = nn.Conv1d(d, out, 1)

    def forward(self, x):
        x = self.f(x)
        return self.h(self.g(torch.cat([x.amax(2), x.mean(2)], 1)))
