"""The end of a run: the files that ship, the scores, the card."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import torch
from torch import nn

from fruitcount.training.card import write_card
from fruitcount.training.data import BOX_FILL, Example
from fruitcount.training.export import check_against_cv2, export_onnx, sha256_of
from fruitcount.training.validate import scores


def finish(
    net: nn.Module, ask: list[Example], facts: dict[str, Any], device: torch.device, out: Path
) -> None:
    """Write checkpoint, exported net and card; score on held-back pictures.

    Parameters
    ----------
    net : FruitNet
    ask : list of Example
        Held-back pictures; of renders the first 150.
    facts : dict
        For the card; scores and the file's size and hash are added.
    device : torch.device
    out : Path
        Folder, made if need be.
    """
    out.mkdir(parents=True, exist_ok=True)
    torch.save(net.state_dict(), out / "checkpoint.pt")
    ask_renders = [e for e in ask if e.group not in BOX_FILL][:150]
    path = out / "fruit_net.onnx"
    export_onnx(copy.deepcopy(net), path)
    # every picture has its own size here: searching the quickest kernel for each would be slow
    torch.backends.cudnn.benchmark = False
    facts["scores"] = scores(net, [e for e in ask if e.group in BOX_FILL] + ask_renders, device)
    for group, row in facts["scores"].items():
        print(group, row["f1_precision_recall"], row["best_threshold"], row["median_size_error"])
    facts |= {"bytes": path.stat().st_size, "sha256": sha256_of(path)}
    facts["difference_from_torch"] = check_against_cv2(net, path)
    write_card(out, facts)
    print(f"wrote {path}: {facts['bytes'] / 1e6:.2f} MB, steps {facts['steps']}")
