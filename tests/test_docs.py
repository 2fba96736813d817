"""The documents keep up with the program, and their lines run."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest
from click.testing import CliRunner

from fruitcount.cli import COMMANDS, main
from fruitcount.detect.heatmap import HEATMAPS
from fruitcount.export import EXPORTS
from fruitcount.species.model import species_names

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
BOTH = README + (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", "fruitcount", "ui", "tests",
    "sample_images", "models",
}  # fmt: skip


def _commands():
    return {
        name: getattr(import_module(f"fruitcount.cli.{module}"), f"{name}_command")
        for name, (module, _) in COMMANDS.items()
    }


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_is_documented_and_every_option_has_a_help_text(name):
    row = next(line for line in README.splitlines() if line.startswith(f"| `fruitcount {name}"))
    flags = set()
    for parameter in _commands()[name].params:
        flags |= {*parameter.opts, *parameter.secondary_opts}
        if parameter.param_type_name == "option":
            assert parameter.help, f"{name} {parameter.opts} needs a help text"
    assert set(re.findall(r"`(--[a-z-]+)`", row)) <= flags | {"--db"}


def test_readme_and_guide_stay_short():
    assert len(README.split()) <= 1800
    assert len((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split()) <= 2500


@pytest.mark.parametrize("name", [*species_names(), *EXPORTS, *HEATMAPS])
def test_every_species_export_and_source_is_documented(name):
    words = " ".join(BOTH.split())  # wherever a line was broken
    assert f"`{name}`" in words or f"--also {name}" in words


def test_top_level_holds_nothing_else():
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, check=False, capture_output=True, text=True
    )
    if listed.returncode:
        pytest.skip("not a git checkout")
    names = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert {n for n in names if not n.startswith(".")} <= TOP_LEVEL


def _blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL)


def test_readme_python_runs(tmp_path):
    code = "\n".join(_blocks("python"))
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], cwd=ROOT, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip()


def test_readme_main_job_runs(tmp_path):
    line = next(b for b in _blocks("") if "fruitcount count" in b)
    words = shlex.split(line.split("&&")[-1])
    assert Path(words[0]).name == "fruitcount"
    shutil.copytree(ROOT / "sample_images", tmp_path / "sample_images")
    photo = tmp_path / words[2]
    assert photo.is_file()
    result = CliRunner().invoke(main, ["count", str(photo), "--out", str(tmp_path / "out")])
    assert result.exit_code == 0, result.output
    answer = next(line for line in result.output.splitlines() if line.startswith("KEEP"))
    assert answer in README
    assert f"{photo.stem}_plan.jpg" in README
    assert (tmp_path / "out" / f"{photo.stem}_plan.jpg").is_file()


def test_readme_keeps_its_promises_in_place():
    first = README.split("\n\n")[1]
    for word in ("photograph", "keep", "cut", "pinch", "tree"):
        assert word in first
    assert "## What it will not do" in README
    assert "libgl1 libglib2.0-0" in README


# Lines that need what a test has not: a browser, minutes of annotated photographs, or a year's
# records (tests/test_cli_orchard.py runs those).
ELSEWHERE = ("screen", "evaluate", "season", "records")


def _lines() -> list[str]:
    """Commands in running text that can be typed as they stand, in the order of the text."""
    spans = re.findall(r"`(fruitcount [^`]+)`", README)
    typed = [s for s in dict.fromkeys(spans) if not re.search(r"[A-Z\[<]|\.\.\.| --\w+$", s)]
    return [s for s in typed if s.split()[1] not in ELSEWHERE] + ["fruitcount --help"]


def test_readme_lines_run_in_turn(tmp_path, monkeypatch):
    """A keeper's way through the text, with one small photo in every part."""
    photo = ROOT / "sample_images" / "peach-leafy.jpg"
    (tmp_path / "photos").mkdir()
    for name in ("photo.jpg", "peach-34in-heavy.jpg", "photos/tree1_limb1.jpg"):
        shutil.copy(photo, tmp_path / name)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("FRUITCOUNT_DATA", str(tmp_path / "data"))
    assert CliRunner().invoke(main, ["count", "peach-34in-heavy.jpg"]).exit_code == 0
    lines = _lines()
    assert len(lines) >= 7
    for line in lines:
        result = CliRunner().invoke(main, [*shlex.split(line)[1:]])
        assert result.exit_code == 0, f"{line}\n{result.output}"
