"""The model card: what the net was trained on, how it scores, and which file it is."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from fruitcount.training.data import LICENCE, Example, photo_of

RUN_FACTS = ("date", "steps", "seconds", "device", "devices", "batch", "blended", "sha256")
"""What later cards tell of a run."""


def splits_of(examples: list[Example]) -> dict[str, list[str]]:
    """Photo names of each set, in name order."""
    names: dict[str, set[str]] = defaultdict(set)
    for example in examples:
        names[example.group].add(photo_of(example.name))
    return {group: sorted(found) for group, found in names.items()}


def names_of_all(parts: Sequence[dict[str, list[str]]]) -> dict[str, list[str]]:
    """The sorted names under each key, of all parts together."""
    keys = sorted({key for part in parts for key in part})
    return {k: sorted({n for part in parts for n in part.get(k, [])}) for k in keys}


def earlier_runs(checkpoint: Path) -> list[dict[str, Any]]:
    """The runs that made a checkpoint, oldest first, from the ``card.json`` beside it.

    Empty when there is no card: where those weights come from is then not known.
    """
    path = checkpoint.with_name("card.json")
    if not path.exists():
        return []
    card = json.loads(path.read_text())
    told = {k: card[k] for k in RUN_FACTS if k in card}
    if "training" in card:
        told["training"] = card["training"]
    return [*card.get("earlier_runs", []), told]


def write_card(folder: Path, facts: dict[str, Any]) -> None:
    """Write ``card.json`` and ``card.md``.

    Parameters
    ----------
    folder : Path
    facts : dict
        ``sha256``, ``bytes``, ``steps``, ``seconds``, ``device``, ``devices`` (how many),
        ``batch`` (crops a step), ``training``, ``validation`` (photo names by set), ``scores``;
        where the run went on from another's weights, ``earlier_runs``, of which one may be the
        mean of several runs, ``blended`` (how many).
    """
    card = {
        "name": "heatmap",
        "date": datetime.now(UTC).date().isoformat(),
        "data": {
            "photographs": LICENCE,
            "renders": "path traced by fruitcount.training.render, part of this project (MIT)",
        },
        **facts,
    }
    (folder / "card.json").write_text(json.dumps(card, indent=1) + "\n")
    (folder / "card.md").write_text(_text(card))


def _devices(run: dict[str, Any]) -> str:
    count = run.get("devices", 1)
    return str(run["device"]) if count == 1 else f"{count} GPUs ({run['device']})"


def _blended(card: dict[str, Any]) -> str:
    if "blended" not in card:
        return ""
    return f", in {card['blended']} runs whose weights were averaged"


def _text(card: dict[str, Any]) -> str:
    lines = [
        "# Fruit net",
        "",
        f"Trained {card['date']} by `python -m fruitcount.training.train` for "
        f"{card['seconds']:.0f} s ({card['steps']} steps of {card.get('batch', 48)} crops) on "
        f"{_devices(card)}{_blended(card)}.",
        *[
            f"It went on from the net of {run['date']}: {run['seconds']:.0f} s "
            f"({run['steps']} steps) on {_devices(run)}{_blended(run)}."
            for run in reversed(card.get("earlier_runs", []))
        ],
        f"File `fruit_net.onnx`, {card['bytes'] / 1e6:.2f} MB, SHA-256 `{card['sha256']}`.",
        "",
        "Data: " + card["data"]["photographs"] + ". And pictures " + card["data"]["renders"] + ".",
        "No other photograph was trained on. Photos are split by name: a fixed hash of the "
        "photo's name holds back about 15 in 100 (listed in card.json).",
        "",
        "| held-back set | photos | F1 | precision | recall | threshold | size error (median) |",
        "|---|---|---|---|---|---|---|",
    ]
    for group, row in card["scores"].items():
        f1, precision, recall = row["f1_precision_recall"]
        lines.append(
            f"| {group} | {len(card['validation'].get(group, []))} | {f1:.3f} | {precision:.3f} "
            f"| {recall:.3f} | {row['best_threshold']:.2f} | {row['median_size_error']:.3f} |"
        )
    lines += ["", "Each row is at that set's own best threshold, at known fruit size."]
    return "\n".join(lines) + "\n"
