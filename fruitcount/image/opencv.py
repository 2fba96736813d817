"""The one place that imports OpenCV, so that a missing system library has one clear answer."""

from __future__ import annotations

try:
    import cv2
except ImportError as error:  # libGL or glib missing: usual on a bare Debian or in a container
    raise ImportError(
        "OpenCV could not be loaded: "
        f"{error}\nOn Debian or Ubuntu this line mends it:\n"
        "apt-get install -y --no-install-recommends libgl1 libglib2.0-0"
    ) from error

# its words about damaged files mean nothing to a grower; ours name the file
cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)

__all__ = ["cv2"]
