"""From a trained net to the file that ships: ONNX with half-precision weights, and its check."""

from __future__ import annotations

import hashlib
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import nn

MOST_BYTES = 16_000_000


def export_onnx(net: nn.Module, path: Path) -> None:
    """Write the net as ONNX (opset 13, any height and width that 32 divides).

    Weights are stored as float16 and cast back when the file is loaded: half the size, and
    the arithmetic stays float32 (measured change of the outputs: about 1e-4).
    """
    names = ("maps", "limb")
    net = net.eval().cpu().float()
    axes = {0: "n", 2: "h", 3: "w"}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        torch.onnx.export(
            net,
            (torch.rand(1, 3, 256, 256),),
            str(path),
            opset_version=13,
            dynamo=False,
            input_names=["rgb"],
            output_names=list(names),
            dynamic_axes=dict.fromkeys(("rgb", *names), axes),
        )
    _halve(path)


def _halve(path: Path) -> None:
    import onnx
    from onnx import TensorProto, helper, numpy_helper

    model = onnx.load(str(path))
    kept: list[Any] = []
    casts: list[Any] = []
    for tensor in model.graph.initializer:
        values = numpy_helper.to_array(tensor)
        if values.dtype != np.float32 or values.size < 64:
            kept.append(tensor)
            continue
        name = tensor.name + "_half"
        kept.append(numpy_helper.from_array(values.astype(np.float16), name))
        casts.append(helper.make_node("Cast", [name], [tensor.name], to=TensorProto.FLOAT))
    nodes = list(model.graph.node)
    del model.graph.initializer[:], model.graph.node[:]
    model.graph.initializer.extend(kept)
    model.graph.node.extend(casts + nodes)
    onnx.save(model, str(path))


def check_against_cv2(net: nn.Module, path: Path, size: tuple[int, int] = (320, 416)) -> float:
    """Largest difference of the outputs of PyTorch and of OpenCV's reader of the file.

    Returns
    -------
    float
        In units of the output (logits); NaN where OpenCV is not installed or is older than 5.
    """
    try:
        import cv2
    except ImportError:
        return float("nan")
    if int(cv2.__version__.split(".")[0]) < 5:
        return float("nan")
    rgb = torch.rand(1, 3, *size, generator=torch.Generator().manual_seed(5))
    reader = cv2.dnn.readNetFromONNX(str(path))
    reader.setInput(rgb.numpy())
    with torch.no_grad():
        expected = net.eval().cpu().float()(rgb)
    told = reader.forward(["maps", "limb"])
    return max(float(np.abs(a - b.numpy()).max()) for a, b in zip(told, expected, strict=True))


def sha256_of(path: Path) -> str:
    """Hash of a file's bytes, in hexadecimal."""
    return hashlib.sha256(path.read_bytes()).hexdigest()
