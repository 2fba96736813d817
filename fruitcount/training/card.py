"""The model card: what the net was trained on, how it scores, and which file it is."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from fruitcount.training.data import LICENCE, Example, photo_of

__all__ = ["averaged_runs", "earlier_runs", "names_of_all", "splits_of", "write_card"]

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
    told = _run_facts(card)
    if "training" in card:
        told["training"] = card["training"]
    return [*card.get("earlier_runs", []), told]


def _run_facts(card: dict[str, Any]) -> dict[str, Any]:
    return {k: card[k] for k in RUN_FACTS if k in card}


def averaged_runs(cards: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """What a blend's card tells of each net in it: the run's facts, and ``after``, its start."""
    told = [_run_facts(card) for card in cards]
    for facts, card in zip(told, cards, strict=True):
        if card.get("earlier_runs"):
            facts["after"] = card["earlier_runs"][-1]["sha256"]
    return told


def write_card(folder: Path, facts: dict[str, Any]) -> None:
    """Write ``card.json`` and ``card.md``.

    Parameters
    ----------
    folder : Path
    facts : dict
        ``sha256``, ``bytes``, ``steps``, ``seconds``, ``device``, ``devices`` (how many),
        ``batch`` (crops a step), ``training``, ``validation`` (photo names by set), ``scores``;
        where the run went on from another's weights, ``earlier_runs``; where several runs were
        averaged, ``blended`` (how many) with steps and seconds of all, ``averaged`` (what
        :func:`averaged_runs` gives) and ``heat_shift`` (added to the logits of fruit).
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
    return (
        f", in {card['blended']} runs whose weights were averaged by "
        "`python -m fruitcount.training.blend`"
    )


def _averaged(card: dict[str, Any]) -> list[str]:
    """A line for each net in the mean, and one for the shift of its scores."""
    lines = [
        f"Averaged: `{run['sha256'][:12]}`, {run['seconds']:.0f} s ({run['steps']} steps of "
        f"{run.get('batch', 48)} crops) on {_devices(run)}{_blended(run)}"
        + (f", after `{run['after'][:12]}`." if "after" in run else ".")
        for run in card.get("averaged", [])
    ]
    if card.get("heat_shift"):
        lines.append(f"Added to its logits of fruit: {card['heat_shift']:+.2f}.")
    return lines


def _text(card: dict[str, Any]) -> str:
    lines = [
        "# Fruit net",
        "",
        f"Trained {card['date']} by `python -m fruitcount.training.train` for "
        f"{card['seconds']:.0f} s ({card['steps']} steps of {card.get('batch', 48)} crops) on "
        f"{_devices(card)}{_blended(card)}.",
        *_averaged(card),
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
