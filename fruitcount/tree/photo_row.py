"""The usual work of a batch: count one photo and sum it up in a row."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fruitcount import __version__
from fruitcount.detect.heatmap_cnn import model_path
from fruitcount.flags import Flag, flag_names
from fruitcount.image import read_photo
from fruitcount.measurement_record import measurement_to_dict
from fruitcount.pipeline import CountSettings, Result, count_limb, decide
from fruitcount.plan import GrowerInputs
from fruitcount.results import result_row
from fruitcount.tree.card_code import read_card_code
from fruitcount.tree.photos import file_hash, look_hash, settings_key
from fruitcount.types import Measurement, Photo

__all__ = ["count_key", "count_photo"]

_ROW = 4  # goes up when a row says more than before, so that photos are done again


def count_photo(
    path: str,
    *,
    settings: CountSettings | None = None,
    inputs: GrowerInputs | None = None,
    with_measurement: bool = False,
    adjust: Callable[[Photo, Measurement], Measurement] | None = None,
) -> dict[str, Any]:
    """Read, count and decide one photo.

    Parameters
    ----------
    path : str
    settings : CountSettings, optional
    inputs : GrowerInputs, optional
    with_measurement : bool
        Put every mark into the row as well (``measurement``): for records, at about 50 kB a photo.
    adjust : callable, optional
        Changes what was seen before the decision, such as
        :func:`fruitcount.calibrate.tuning.adjusted`; importable by name.

    Returns
    -------
    dict
        The columns of :class:`fruitcount.results.ResultRow`, with ``look`` to find copies by
        and what the code on the card says: ``code_tree``, ``code_limb``.
    """
    photo = read_photo(path)
    result = count_limb(photo, settings, inputs)
    if adjust is not None:
        measurement = adjust(photo, result.measurement)
        result = Result(measurement, decide(measurement, inputs))
    row = result_row(result).values()
    row["look"] = look_hash(photo.rgb)
    code = read_card_code(photo.rgb, result.measurement.scale)
    row |= {"code_tree": code.place.tree, "code_limb": code.place.limb}
    if code.unread:
        row["flags"] = [*row["flags"], *flag_names(Flag.CARD_CODE_UNREAD)]
    if with_measurement:
        row["measurement"] = measurement_to_dict(result.measurement)
    return row


def count_key(settings: CountSettings | None = None, inputs: GrowerInputs | None = None) -> str:
    """Settings key of :func:`count_photo`: changes with settings, answers, version and net.

    Parameters
    ----------
    settings : CountSettings, optional
    inputs : GrowerInputs, optional
    """
    model = model_path()
    net = file_hash(model) if model.is_file() else ""
    rules = (settings or CountSettings(), inputs or GrowerInputs())
    return settings_key(__version__, _ROW, net, *rules)
