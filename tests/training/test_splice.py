"""Joined crops and mixed styles: each on something small enough to know the answer."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch", reason="training extra is not installed")

from fruitcount.training.losses import loss_of  # noqa: E402
from fruitcount.training.net import CHANNELS, FruitNet  # noqa: E402
from fruitcount.training.splice import spliced  # noqa: E402
from fruitcount.training.styles import mixed_styles  # noqa: E402
from fruitcount.training.targets import LEAST_VISIBLE, make_targets  # noqa: E402
from fruitcount.training.warp import Batch  # noqa: E402

SIZE = 64
NAN = float("nan")


def shaded(count: int) -> Batch:
    """Crop k is painted k / 10 all over and full of fruit of radius k + 2."""
    shade = torch.arange(count)[:, None, None, None] / 10.0
    line = torch.arange(4.0, SIZE, 8.0)
    y, x = torch.meshgrid(line, line, indexing="ij")
    rows = torch.stack([x.flatten(), y.flatten()], -1).expand(count, -1, -1)
    radius = (torch.arange(count) + 2.0)[:, None, None].expand(-1, rows.shape[1], 1)
    fruit = torch.cat([rows, radius, torch.full_like(rows, NAN)], -1)
    flat = shade.expand(count, 1, SIZE, SIZE)
    return Batch(flat.expand(-1, 3, -1, -1), flat, flat, torch.ones_like(flat), fruit)


def test_whole_fruit_lies_on_pixels_of_its_own_picture() -> None:
    torch.manual_seed(3)
    batch = spliced(shaded(8), 0.75)
    joints = [len(torch.unique(crop)) for crop in batch.rgb]
    assert sum(n == 2 for n in joints) >= 4  # a crop may be joined with itself
    assert torch.equal(batch.rgb[:, :1], batch.wood)
    whole = cut = 0
    for crop, rows in zip(batch.rgb[:, 0], batch.fruit, strict=True):
        for x, y, radius, seen, _ in rows.tolist():
            if radius == 0:
                continue
            mine = torch.isclose(crop, torch.tensor((radius - 2) / 10.0))
            if seen < LEAST_VISIBLE:
                cut += 1
                continue
            whole += 1
            assert mine[int(y), int(x)], (x, y, radius)
            inner = 0.5 * radius / 2**0.5
            for dx, dy in ((-inner, -inner), (inner, inner), (-inner, inner), (inner, -inner)):
                assert mine[round(y + dy), round(x + dx)], (x, y, radius)
    assert whole > 300
    assert cut > 20


def test_joining_none_leaves_the_batch_as_it_is() -> None:
    batch = shaded(3)
    assert spliced(batch, 0.0) is batch


def test_a_mixed_style_keeps_the_pattern_and_takes_from_one_other_picture() -> None:
    torch.manual_seed(0)
    features = torch.randn(6, 4, 16, 16) * torch.rand(6, 4, 1, 1) + torch.randn(6, 4, 1, 1)
    assert torch.allclose(mixed_styles(features, torch.tensor(0.0)), features, atol=1e-6)
    mixed = mixed_styles(features, torch.tensor(1.0))
    own = features.mean((2, 3))
    moved = mixed.mean((2, 3))
    for k in range(6):
        before, after = (t[k] - t[k].mean((1, 2), keepdim=True) for t in (features, mixed))
        alike = torch.nn.functional.cosine_similarity(before.flatten(1), after.flatten(1))
        assert torch.allclose(alike, torch.ones(4), atol=1e-4)
        # its means lie on the straight way to those of one other picture
        step = moved[k] - own[k]
        way = own - own[k]
        share = (way @ step) / (way * way).sum(1).clamp(min=1e-9)
        rest = (step - share[:, None] * way).norm(dim=1)
        assert float(rest.min()) == pytest.approx(0.0, abs=1e-4)


def test_styles_are_mixed_in_training_only() -> None:
    torch.manual_seed(0)
    net = FruitNet(widths=(8, 8, 16, 16, 16), depths=(0, 1, 1, 1, 1), fused=16)
    rgb = torch.rand(3, 3, 64, 64)
    net.eval()
    plain = net(rgb)
    net.restyled = torch.tensor(1.0)
    assert torch.equal(net(rgb), plain)
    assert "restyled" not in net.state_dict()
    net.train()
    torch.manual_seed(1)
    first = net(rgb)
    torch.manual_seed(2)
    assert not torch.allclose(net(rgb), first)


def test_yellow_where_no_fruit_is_costs_only_where_the_truth_is_whole() -> None:
    fruit = torch.tensor([[[31.0, 20.0, 8.0, 0.9, 1.0]]])
    blank = torch.zeros(1, 1, SIZE, SIZE)

    def cost(known: float, column: int) -> float:
        batch = Batch(torch.rand(1, 3, SIZE, SIZE), blank, blank + known, blank + 1, fruit)
        output = torch.full((1, len(CHANNELS), 16, 16), -9.0)
        output[:, 6, 5, column] = 6.0
        return float(loss_of(output, make_targets(batch))["yellow"])

    at_the_fruit = 7  # the middle (31, 20) lies in cell (7, 5)
    away = 13
    assert cost(1.0, away) > cost(0.0, away) + 0.01
    assert cost(1.0, at_the_fruit) == pytest.approx(cost(0.0, at_the_fruit), abs=1e-3)
