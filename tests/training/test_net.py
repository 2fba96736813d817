"""Targets, losses, crops, export: each on something small enough to know the answer."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="training extra is not installed")

from fruitcount.training.card import earlier_runs, write_card  # noqa: E402
from fruitcount.training.colour_model import fit_layers  # noqa: E402
from fruitcount.training.data import Example  # noqa: E402
from fruitcount.training.losses import heat_of, loss_of  # noqa: E402
from fruitcount.training.net import CHANNELS, LOG_RADIUS_UNIT_PX, FruitNet  # noqa: E402
from fruitcount.training.paste import laid_on, paste_random  # noqa: E402
from fruitcount.training.sprites import FILL, SPRITE_PX, make_bank  # noqa: E402
from fruitcount.training.targets import make_targets  # noqa: E402
from fruitcount.training.validate import match_marks  # noqa: E402
from fruitcount.training.warp import Batch, CropRules, make_pool, random_crops  # noqa: E402

CPU = torch.device("cpu")


def batch_of(rows: list[list[float]], size: int = 64) -> Batch:
    blank = torch.zeros(1, 1, size, size)
    return Batch(torch.rand(1, 3, size, size), blank, blank, blank + 1, torch.tensor([rows]))


def small_net() -> FruitNet:
    torch.manual_seed(0)
    return FruitNet()


def test_targets_peak_at_the_fruit_and_tell_its_radius() -> None:
    targets = make_targets(batch_of([[31.0, 20.0, 8.0, 0.9, 1.0]]))
    heat = targets.heat[0, 0]
    row, col = divmod(int(heat.argmax()), heat.shape[1])
    assert (row, col) == (10, 15)  # half size: pixel (20, 31) lies in cell (10, 15)
    assert targets.centre.sum() == 1
    best = divmod(int(targets.near[0, 0].argmax()), 16)
    radius, yellow, visible = targets.values[0, :, best[0], best[1]]
    assert float(torch.exp(radius) * LOG_RADIUS_UNIT_PX) == pytest.approx(8.0, rel=1e-5)
    assert (float(yellow), float(visible)) == pytest.approx((1.0, 0.9))


def test_hidden_and_ignored_fruit_are_neither_taught_nor_punished() -> None:
    targets = make_targets(batch_of([[32.0, 32.0, 8.0, 0.2, 0.0], [10.0, 50.0, 6.0, -1.0, 0.0]]))
    assert targets.centre.sum() == 0
    assert targets.heat.sum() == pytest.approx(0.0, abs=1e-6)
    assert targets.heat_weight[0, 0, 16, 16] == 0
    assert targets.heat_weight[0, 0, 25, 5] == 0
    assert targets.heat_weight[0, 0, 2, 2] == 1


def test_the_loss_is_lower_for_the_right_answer() -> None:
    targets = make_targets(batch_of([[31.0, 20.0, 8.0, 0.9, 1.0]]))
    wrong = torch.full((1, len(CHANNELS), 16, 16), -4.0)
    right = wrong.clone()
    # cell (10, 15) of the half grid is sub-cell (0, 1) of the quarter cell (5, 7)
    right[0, 1, 5, 7] = 4.0
    right[0, 4] = 0.0  # ln(8 / 8)
    right[0, 6:] = 3.0
    assert heat_of(right)[0, 0, 10, 15] == 4.0
    bad, good = loss_of(wrong, targets), loss_of(right, targets)
    for part in ("heat", "radius", "yellow", "visible"):
        assert good[part] < bad[part], part


def test_crops_carry_their_fruit_along() -> None:
    torch.manual_seed(4)
    rgb = np.full((200, 260, 3), 30, np.uint8)
    i, j = np.mgrid[:200, :260]
    rgb[(i - 90) ** 2 + (j - 140) ** 2 < 144] = (250, 240, 40)
    fruit = np.array([[140, 90, 12, 1.0, 0.0]], np.float32)
    pool = make_pool([Example("a", "renders", rgb, fruit)], [1.0], CPU)
    batch = random_crops(pool, 12, CropRules(size_px=128))
    checked = 0
    for crop, known in zip(batch.rgb, batch.fruit, strict=True):
        x, y, r = known[0, :3].tolist()
        if r > 3 and r < x < 127 - r and r < y < 127 - r:
            assert crop[0, round(y), round(x)] > 0.9  # the disc is where the label says
            seen = float((crop[0] > 0.5).sum())
            assert seen == pytest.approx(np.pi * r * r, rel=0.25)
            checked += 1
    assert checked >= 5


def test_a_pasted_fruit_lies_where_its_label_says() -> None:
    torch.manual_seed(2)
    white = torch.ones(6, 4, SPRITE_PX, SPRITE_PX)
    centre = torch.tensor([[40.0, 24.0]]).expand(6, 2)
    radius = torch.tensor([8.0, 8.0, 8.0, 8.0, 8.0, 0.0])
    laid, alpha = laid_on(torch.zeros(6, 3, 64, 64), white, centre, radius)
    row, col = torch.nonzero(alpha[0, 0] > 0.5).float().mean(0).tolist()
    assert (col, row) == pytest.approx((40.0, 24.0), abs=0.6)
    # the whole square sprite, of which a fruit's radius is FILL of the half side
    assert float(alpha[0].sum()) == pytest.approx((2 * 8.0 / FILL) ** 2, rel=0.06)
    assert laid[0].amax() > 0.01
    assert alpha[5].sum() == 0
    assert laid[5].sum() == 0


def test_pasting_keeps_the_rest_and_adds_the_labels() -> None:
    torch.manual_seed(3)
    rgb = np.full((200, 260, 3), 90, np.uint8)
    fruit = np.array([[140, 90, 12, 1.0, 0.0]], np.float32)
    pool = make_pool([Example("a", "renders", rgb, fruit)], [1.0], CPU)
    batch = random_crops(pool, 8, CropRules(size_px=128))
    pasted = paste_random(batch, make_bank([pool]), busy=0.5)
    assert pasted.rgb.shape == batch.rgb.shape
    changed = (pasted.rgb - 90 / 255).abs().amax((1, 2, 3)) > 0.02
    assert 1 <= int(changed.sum()) <= 4  # half of the crops, each round with a chance
    had, has = ((b.fruit[..., 2] > 0).sum(1) for b in (batch, pasted))
    assert int(has.sum()) > int(had.sum())
    assert not (has[~changed] > int(had.max())).any()


def test_a_few_steps_learn_one_picture() -> None:
    net = small_net()
    batch = batch_of([[31.0, 20.0, 8.0, 0.9, 1.0]])
    targets = make_targets(batch)
    steps = torch.optim.Adam(net.parameters(), 5e-3)
    losses = []
    for _ in range(25):
        total = sum(loss_of(net(batch.rgb)[0], targets).values())
        steps.zero_grad()
        total.backward()
        steps.step()
        losses.append(total.item())
    assert losses[-1] < 0.5 * losses[0]


def test_the_exported_file_gives_the_net_s_own_answers(tmp_path: Path) -> None:
    pytest.importorskip("onnx", reason="training extra is not installed")
    from fruitcount.training.export import check_against_cv2, export_onnx

    net = small_net().eval()
    path = tmp_path / "fruit_net.onnx"
    export_onnx(net, path)
    # Weights are stored in half precision: 2**-11 relative on each.
    assert check_against_cv2(net, path, (64, 96)) < 0.05


def test_matching_for_validation_is_one_to_one_nearest_first() -> None:
    marks = np.array([[10.0, 10.0], [12.0, 10.0], [80.0, 80.0]])
    truth = np.array([[11.5, 10.0, 5.0]], np.float32)
    assert match_marks(marks, truth, np.array([5.0])).tolist() == [-1, 0, -1]


def test_the_card_names_data_licence_and_hash(tmp_path: Path) -> None:
    facts = {
        "sha256": "ab" * 32,
        "bytes": 10,
        "steps": 3,
        "seconds": 1.0,
        "device": "CPU",
        "training": {"pear": ["p"]},
        "validation": {"pear": ["q"]},
        "scores": {
            "pear": {
                "f1_precision_recall": [0.5, 0.5, 0.5],
                "best_threshold": 0.3,
                "median_size_error": 0.1,
            }
        },
    }
    write_card(tmp_path, facts)
    text = (tmp_path / "card.md").read_text()
    assert "CC BY 4.0" in text
    assert facts["sha256"] in text
    assert earlier_runs(tmp_path / "checkpoint.pt")[0]["steps"] == 3
    again = facts | {"steps": 5, "earlier_runs": earlier_runs(tmp_path / "checkpoint.pt")}
    write_card(tmp_path, again)
    assert "went on from" in (tmp_path / "card.md").read_text()
    assert [r["steps"] for r in earlier_runs(tmp_path / "checkpoint.pt")] == [3, 5]
    assert earlier_runs(tmp_path / "none" / "checkpoint.pt") == []


def test_a_small_function_is_fitted_and_read_back() -> None:
    from fruitcount.detect.heatmap_classical import Layers
    from fruitcount.training.colour_model import _record

    rng = np.random.default_rng(0)
    x = rng.normal(0, 1, (3000, 4)).astype(np.float32)
    yes = ((x[:, 0] + x[:, 1]) > 0).astype(np.float32)
    target = np.column_stack([yes, x[:, 2] * 0.3, np.ones(len(x))]).astype(np.float32)
    layers = fit_layers(x, target, 16, epochs=60)
    told = layers(x)
    assert np.mean((told[:, 0] > 0) == (yes > 0.5)) > 0.93
    again = Layers.from_record(_record(layers))
    for field in dataclasses.fields(layers):
        np.testing.assert_allclose(
            getattr(again, field.name), getattr(layers, field.name), rtol=1e-3
        )
