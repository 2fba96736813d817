"""Joined crops, on something small enough to know the answer."""

from __future__ import annotations

import pytest

torch = pytest.importorskip("torch", reason="training extra is not installed")


from fruitcount.training.splice import spliced  # noqa: E402
from fruitcount.training.targets import LEAST_VISIBLE  # noqa: E402
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
