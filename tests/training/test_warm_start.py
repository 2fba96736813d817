"""A net that goes on from the shipped file says the same as that file, read by OpenCV."""

from __future__ import annotations

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="training is a development extra")
pytest.importorskip("onnx", reason="training is a development extra")

import cv2  # noqa: E402

from fruitcount.image.photo import read_photo  # noqa: E402
from fruitcount.resources import models_folder, sample_folder  # noqa: E402
from fruitcount.training.net import FruitNet  # noqa: E402
from fruitcount.training.warm_start import load_weights  # noqa: E402

SHIPPED = models_folder() / "fruitness.onnx"


@pytest.fixture(scope="module")
def crops():
    rgb = read_photo(sorted(sample_folder().glob("*.jpg"))[0]).rgb
    small = cv2.resize(rgb, (768, 512), interpolation=cv2.INTER_AREA)
    cut = [small[y : y + 256, x : x + 256] for y in (0, 256) for x in (0, 256, 512)]
    return torch.from_numpy(np.stack(cut)).permute(0, 3, 1, 2).float() / 255


@pytest.fixture(scope="module")
def loaded(crops):
    torch.manual_seed(1)
    net = FruitNet()
    load_weights(net, SHIPPED, crops)
    return net


def test_the_loaded_net_answers_as_the_file(loaded, crops):
    reader = cv2.dnn.readNetFromONNX(str(SHIPPED))
    reader.setInput(crops[:1].numpy())
    with torch.no_grad():
        mine = loaded.eval()(crops[:1]).numpy()
    assert np.abs(mine - reader.forward()).max() < 0.02


def test_it_can_be_trained_on(loaded, crops):
    """With batch statistics instead of stored ones the answer hardly moves."""
    with torch.no_grad():
        stored = loaded.eval()(crops)
        fresh = loaded.train()(crops)
    assert (fresh - stored).abs().mean() < 0.02
    assert stored.std() > 0.5


def test_a_checkpoint_is_loaded_as_it_is(loaded, crops, tmp_path):
    torch.save(loaded.state_dict(), tmp_path / "checkpoint.pt")
    other = FruitNet()
    load_weights(other, tmp_path / "checkpoint.pt", crops[:1])
    pairs = zip(loaded.state_dict().values(), other.state_dict().values(), strict=True)
    assert all(torch.equal(a, b) for a, b in pairs)


def test_another_architecture_is_refused(crops):
    with pytest.raises(ValueError, match=r"fruitness\.onnx: its convolutions are not"):
        load_weights(FruitNet(fused=32), SHIPPED, crops[:1])
