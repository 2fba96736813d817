"""Where the files that come with the package lie, in a checkout and in an installed wheel."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent
PLAIN_FONT = _PACKAGE / "export" / "fonts" / "DejaVuSans.ttf"
BOLD_FONT = PLAIN_FONT.with_name("DejaVuSans-Bold.ttf")


def _either(installed: str, checkout: str) -> Path:
    inside = _PACKAGE / installed
    return inside if inside.is_dir() else _PACKAGE.parent / checkout


def models_folder() -> Path:
    """Folder of trained models and their cards."""
    return _either("_models", "models")


def screen_folder() -> Path:
    """Folder of the Streamlit screen."""
    return _either("_screen", "ui")


def sample_folder() -> Path:
    """Folder of sample photographs; only a checkout has it."""
    return _PACKAGE.parent / "sample_images"
