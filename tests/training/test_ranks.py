"""Several processes take the same step as one with all their crops (PyTorch, gloo)."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

pytest.importorskip("torch", reason="training is a development extra")

CHILD = """
import sys
import torch
from fruitcount.training.ranks import join_ranks

ranks, device = join_ranks("cpu")
torch.manual_seed(ranks.mine)
net = torch.nn.Linear(3, 2)
ranks.same_weights(net)
x = torch.arange(12.0).reshape(4, 3) / 10
mine = x[2 * ranks.mine : 2 * ranks.mine + 2] if ranks.count == 2 else x
net(mine).square().mean().backward()
ranks.average_gradients(net)
told = [*net.weight.flatten().tolist(), *net.weight.grad.flatten().tolist()]
told += [*net.bias.grad.tolist(), ranks.same(ranks.mine + 5.0, device)]
names = ranks.joined({"renders": [f"limb{ranks.mine}"], "pear": ["tree"]})
assert names == {"pear": ["tree"], "renders": [f"limb{i}" for i in range(ranks.count)]}
with open(sys.argv[1] + f"/{ranks.count}-{ranks.mine}.txt", "w") as out:
    out.write(" ".join(f"{v:.5f}" for v in told))
ranks.leave()
"""


def _run(folder: Path, count: int) -> None:
    env = {k: v for k, v in os.environ.items() if not k.startswith(("RANK", "WORLD", "LOCAL_"))}
    several = ["-m", "torch.distributed.run", "--standalone", "--nproc-per-node", str(count)]
    script = folder / "child.py"
    script.write_text(CHILD)
    command = [sys.executable, *(several if count > 1 else []), str(script), str(folder)]
    subprocess.run(command, check=True, timeout=240, env=env, capture_output=True)


def test_two_processes_step_as_one(tmp_path):
    _run(tmp_path, 1)
    _run(tmp_path, 2)
    told = {
        p.stem: [float(v) for v in p.read_text().split()] for p in tmp_path.glob("[12]-[01].txt")
    }
    assert sorted(told) == ["1-0", "2-0", "2-1"]
    assert told["2-0"] == told["2-1"]
    assert told["2-0"] == pytest.approx(told["1-0"], abs=2e-4)
