"""A summary of each block: its trees in the queue's order, with what was counted on them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from fruitcount.batch import tree_answer
from fruitcount.errors import BadInputError
from fruitcount.export.report_block import BlockTree, block_summary
from fruitcount.export.report_page import ReportSettings
from fruitcount.export.tree_source import TreeSource, facts_of
from fruitcount.season import QueueLine

__all__ = ["BlockCounts", "block_trees", "write_blocks"]


@dataclass(frozen=True)
class BlockCounts:
    """What was counted on the trees of a season.

    Attributes
    ----------
    source : TreeSource
        Counted photos; a tree without any is listed without numbers.
    limbs_n : int or None
        Limbs on every tree, where their sizes are not known.
    pace_n_per_min : float or None
        Fruit taken off in a minute, the keeper's own.
    """

    source: TreeSource = field(default_factory=lambda: TreeSource((), {}))
    limbs_n: int | None = None
    pace_n_per_min: float | None = None


def block_trees(
    lines: Sequence[QueueLine], counts: BlockCounts, *, year: int
) -> dict[str, list[BlockTree]]:
    """Trees by block, in the order of the queue, each with its estimate, target and work.

    A tree whose total or target cannot be told has none; its own sheet says why.
    """
    out: dict[str, list[BlockTree]] = {}
    for line in lines:
        out.setdefault(line.tree.block, []).append(_block_tree(line, counts, year))
    return out


def _block_tree(line: QueueLine, counts: BlockCounts, year: int) -> BlockTree:
    name = line.tree.name
    facts = counts.source.facts.get(name) or facts_of(line.tree, year=year)
    facts = replace(facts, pace_n_per_min=counts.pace_n_per_min)
    if not facts.limb_sizes:
        facts = replace(facts, limbs_n=counts.limbs_n)
    try:
        answer = tree_answer(counts.source.rows, name, facts)
    except BadInputError:
        return BlockTree(line)
    return BlockTree(line, answer.sheet.total, float(answer.sheet.keep_n), answer.sheet.work)


def write_blocks(
    blocks: Mapping[str, Sequence[BlockTree]],
    folder: Path,
    *,
    year: int,
    settings: ReportSettings,
) -> list[Path]:
    """Write one PDF a block; the files written."""
    out = []
    for block, trees in blocks.items():
        name = re.sub(r"[^\w-]+", "-", block).strip("-") or "all"
        path = folder / f"block_{name}_{year}.pdf"
        for k in range(2, len(blocks) + 2):  # two names may differ only in what no file can hold
            if path not in out:
                break
            path = folder / f"block_{name}-{k}_{year}.pdf"
        out.append(block_summary(trees, path, block=block, settings=settings))
    return out
