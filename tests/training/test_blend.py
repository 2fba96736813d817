"""The mean of several nets: plain sums, on nets small enough to check by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

torch = pytest.importorskip("torch", reason="training extra is not installed")

from fruitcount.training.blend import (  # noqa: E402
    blended,
    measure_normalisation,
    shift_heat,
    told_of,
)
from fruitcount.training.card import earlier_runs, write_card  # noqa: E402
from fruitcount.training.net import FruitNet  # noqa: E402
from fruitcount.training.warp import Batch  # noqa: E402


def net_of(seed: int) -> FruitNet:
    torch.manual_seed(seed)
    return FruitNet()


def crops(seed: int) -> Batch:
    generator = torch.Generator().manual_seed(seed)
    rgb = torch.rand(2, 3, 64, 64, generator=generator)
    blank = torch.zeros(2, 1, 64, 64)
    return Batch(rgb, blank, blank, blank + 1, torch.zeros(2, 1, 5))


def test_weights_are_averaged_one_by_one() -> None:
    first, second = net_of(1).state_dict(), net_of(2).state_dict()
    half = {k: v.half() if v.dtype == torch.float32 else v for k, v in second.items()}
    mean = blended([first, half]).state_dict()
    name = "down.1.0.0.weight"
    assert torch.allclose(mean[name], (first[name] + second[name]) / 2, atol=1e-4)
    alone = blended([first, first])
    rgb = crops(0).rgb
    with torch.no_grad():
        assert torch.equal(alone.eval()(rgb), net_of(1).eval()(rgb))


def test_normalisation_is_that_of_all_crops_together() -> None:
    net = net_of(1)
    batches = [crops(1), crops(2)]
    measure_normalisation(net, batches)
    conv, norm = net.down[0][0][0], net.down[0][0][1]
    with torch.no_grad():
        each = [conv((b.rgb - 0.42) * 4.0).mean((0, 2, 3)) for b in batches]
    assert torch.allclose(norm.running_mean, torch.stack(each).mean(0), atol=1e-5)
    assert not net.training
    assert norm.momentum == 0.1


def test_a_shift_moves_the_logits_of_fruit_and_nothing_else() -> None:
    net, rgb = net_of(1).eval(), crops(0).rgb
    with torch.no_grad():
        before = net(rgb)
        shift_heat(net, -0.25)
        after = net(rgb)
    assert torch.allclose(after[:, :4], before[:, :4] - 0.25, atol=1e-5)
    assert torch.equal(after[:, 4:], before[:, 4:])


def test_the_card_tells_of_all_runs(tmp_path: Path) -> None:
    run = {
        "steps": 10, "seconds": 5.0, "device": "CPU", "devices": 1, "batch": 4, "sha256": "a" * 64,
        "training": {"pear": ["a"], "renders": ["s1"]}, "validation": {"pear": ["c"]},
        "earlier_runs": [
            {"date": "2000-01-01", "steps": 7, "seconds": 3.0, "device": "CPU", "sha256": "e" * 64}
        ],
    }  # fmt: skip
    other = run | {"steps": 20, "training": {"pear": ["b"]}, "sha256": "b" * 64, "blended": 3}
    facts = told_of([run, other])
    assert (facts["steps"], facts["seconds"], facts["blended"]) == (30, 10.0, 2)
    assert facts["training"] == {"pear": ["a", "b"], "renders": ["s1"]}
    shown = {"bytes": 1, "sha256": "0", "scores": {}, "heat_shift": -0.2}
    write_card(tmp_path, facts | shown)
    text = (tmp_path / "card.md").read_text()
    assert "(30 steps of 4 crops) on CPU, in 2 runs whose weights were averaged by" in text
    assert "Averaged: `aaaaaaaaaaaa`, 5 s (10 steps of 4 crops) on CPU, after `eeeeeeeee" in text
    assert "`bbbbbbbbbbbb`, 5 s (20 steps of 4 crops) on CPU, in 3 runs whose weights" in text
    assert "Added to its logits of fruit: -0.20." in text
    assert [r["steps"] for r in earlier_runs(tmp_path / "checkpoint.pt")] == [7, 30]
    assert earlier_runs(tmp_path / "checkpoint.pt")[1]["blended"] == 2
