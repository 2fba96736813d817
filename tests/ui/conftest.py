"""A real server on a free port, and a real browser, for the tests marked ``browser``."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import cv2
import numpy as np
import pytest

from fruitcount.evaluate.synthetic import draw_scene
from fruitcount.store.kept import open_records
from fruitcount.types import Fruitlets, Limb, Measurement, Scale

ROOT = Path(__file__).resolve().parents[2]
ARGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
START = (
    "import sys; sys.path[:0] = [{ui!r}, {root!r}]\n"
    "import screen_launch\n"
    "{quiet}screen_launch.warm_up = lambda: None\n"
    "screen_launch.launch({port}, data_dir={data!r}, passphrase={word!r})\n"
)


def pytest_collection_modifyitems(items) -> None:
    """A test in a real browser that fails is run again: the machine may be busy with others.

    Both runs are in the summary; one that fails three times has failed.
    """
    for item in items:
        if item.get_closest_marker("browser"):
            item.add_marker(pytest.mark.flaky(reruns=2))


class Server:
    """The screen in a process of its own, which may be killed and started again.

    One that is not ``warm`` loads the nets only when a photo is counted.
    """

    def __init__(self, data: Path, word: str | None = None, warm: bool = False) -> None:
        self.data, self.word, self.quiet = data, word, "# " if warm else ""
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.url = f"http://localhost:{self.port}"
        self.process: subprocess.Popen | None = None

    def start(self) -> None:
        code = START.format(
            ui=str(ROOT / "ui"), root=str(ROOT), port=self.port, data=str(self.data),
            word=self.word, quiet=self.quiet
        )  # fmt: skip
        self.data.mkdir(parents=True, exist_ok=True)
        with (self.data / "server.log").open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-c", code], stdout=log, stderr=log, start_new_session=True
            )
        deadline = time.monotonic() + 150  # a busy machine
        while time.monotonic() < deadline:
            try:
                with urllib.request.urlopen(self.url + "/_stcore/health", timeout=2):  # noqa: S310
                    return
            except urllib.error.HTTPError:
                return
            except OSError:
                time.sleep(0.2)
        raise RuntimeError((self.data / "server.log").read_text())

    def kill(self) -> None:
        if self.process is not None:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()
            self.process = None


@pytest.fixture(scope="session")
def limb_jpeg():
    """Bytes of a drawn limb photo with a card: seeded, always the same."""
    photo, _ = draw_scene(7)
    _, data = cv2.imencode(".jpg", cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2BGR))
    return bytes(data)


@pytest.fixture(scope="module")
def chromium():
    """A headless Chromium; the test is skipped where there is none.

    Closed after each module: while it is open, an event loop runs in this thread.
    """
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    path = next(
        filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
    )
    if path is None:
        pytest.skip("no Chromium on this machine")
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=path, args=ARGS)
        yield browser
        browser.close()


@pytest.fixture
def server(tmp_path):
    """A fresh server with an empty folder."""
    one = Server(tmp_path / "data")
    one.start()
    yield one
    one.kill()


@pytest.fixture(scope="module")
def shared_server(tmp_path_factory):
    """One server for the tests that do not stop it."""
    one = Server(tmp_path_factory.mktemp("screen"), warm=True)
    one.start()
    yield one
    one.kill()


def keep_counted(data: Path, n: int, size: tuple[int, int] = (4032, 3024)) -> str:
    """Keep a photo with ``n`` marks, as if it had been counted; returns its key."""
    rng = np.random.default_rng(n)
    small = rng.integers(0, 255, (60, 80, 3), dtype=np.uint8)
    rgb = cv2.resize(small, size, interpolation=cv2.INTER_CUBIC)
    _, jpeg = cv2.imencode(".jpg", rgb)
    records = open_records(data)
    key = records.add_photo(bytes(jpeg), f"{n} marks.jpg")
    width, middle = size[0], size[1] / 2
    line = np.stack([np.linspace(0.02, 0.97, 40) * width, np.full(40, middle)], axis=1)
    fruit = Fruitlets.from_columns(
        x_px=rng.uniform(0.03, 0.96, n) * width,
        y_px=middle + rng.uniform(-0.06, 0.06, n) * width,
        r_px=rng.uniform(0.006, 0.011, n) * width,
        score=np.where(np.arange(n) % 10 == 0, 0.05, 0.95),
        on_limb=np.ones(n, dtype=int),
        diameter_mm=rng.uniform(10, 18, n),
        diameter_sd_mm=np.ones(n),
    )
    limb = Limb(
        line_px=line,
        width_px=np.linspace(0.03, 0.01, 40) * width,
        length_px=0.95 * width,
        length_mm=950.0,
        base_diameter_mm=30.0,
        tip_diameter_mm=10.0,
        diameter_rel_sd_frac=0.05,
        diameter_source="photo",
    )
    scale = Scale(width / 1000, 0.01, "card")
    name = f"{n} marks.jpg"
    records.keep_seen(
        key, Measurement(name, key, *size, None, scale, fruit, limb, source="classical")
    )
    records.store.close()
    return key


@pytest.fixture
def three_hundred(shared_server):
    """A 12 MP photo with 300 marks."""
    return keep_counted(shared_server.data, 300)


@pytest.fixture
def twenty(shared_server):
    """A photo with 20 marks, two of them doubtful."""
    return keep_counted(shared_server.data, 20, (1600, 1200))
