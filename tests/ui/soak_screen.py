"""Soak of the screen, run by hand: does the server's memory stay flat?

``PYTHONPATH=.:tests/ui python tests/ui/soak_screen.py --minutes 100 --every 20 OUT.csv``. A visit
uploads another photo, taps three marks, undoes one and leaves. The server writes a line each ten
seconds: its memory, how much of it the C library has given out and how much it keeps though it is
free, and what Streamlit still holds.
"""

from __future__ import annotations

import argparse
import ctypes
import gc
import io
import os
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
COLUMNS = (
    "s", "rss_mb", "in_use_mb", "free_mb", "mapped_mb", "sessions", "uploads_mb", "media_mb",
    "threads", "objects",
)  # fmt: skip


class _Mallinfo(ctypes.Structure):
    """``struct mallinfo2`` of glibc 2.33 and newer, summed over all arenas."""

    _fields_ = [(n, ctypes.c_size_t) for n in (
        "arena", "ordblks", "smblks", "hblks", "hblkhd", "usmblks", "fsmblks", "uordblks",
        "fordblks", "keepcost",
    )]  # fmt: skip


def rss_mb() -> float:
    """Resident memory of this process."""
    text = Path("/proc/self/status").read_text()
    return int(text.split("VmRSS:")[1].split()[0]) / 1024


def probe(path: str) -> None:
    """Write a line every ten seconds, in the server itself."""
    libc = ctypes.CDLL("libc.so.6")
    libc.mallinfo2.restype = _Mallinfo
    start = time.monotonic()
    with Path(path).open("w", buffering=1) as out:
        out.write(",".join(COLUMNS) + "\n")
        while True:
            time.sleep(10)
            gc.collect()
            info = libc.mallinfo2()
            told = (
                time.monotonic() - start, rss_mb(), info.uordblks / 2**20, info.fordblks / 2**20,
                info.hblkhd / 2**20, *_held(), len(os.listdir("/proc/self/task")),
                len(gc.get_objects()),
            )  # fmt: skip
            out.write(",".join(f"{v:.0f}" for v in told) + "\n")


def _held() -> tuple[int, float, float]:
    from streamlit.runtime import Runtime

    if not Runtime.exists():
        return 0, 0.0, 0.0
    it = Runtime.instance()
    manager = it._session_mgr
    sessions = len(manager.list_sessions())
    uploads = sum(
        len(f.data) for files in it._uploaded_file_mgr.file_storage.values() for f in files.values()
    )
    media = sum(len(f.content) for f in it._media_file_mgr._storage._files_by_id.values())
    return sessions, uploads / 2**20, media / 2**20


SERVE = """import sys, threading
sys.path[:0] = [{ui!r}, {root!r}, {here!r}]
import soak_screen
threading.Thread(target=soak_screen.probe, args=({log!r},), daemon=True).start()
from screen_launch import launch
launch({port}, data_dir={data!r})
"""


def serve(log: Path, data: Path, port: int) -> subprocess.Popen[bytes]:
    code = SERVE.format(
        ui=str(ROOT / "ui"), root=str(ROOT), here=str(Path(__file__).parent), log=str(log),
        port=port, data=str(data),
    )  # fmt: skip
    with (data / "server.log").open("ab") as out:
        server = subprocess.Popen([sys.executable, "-c", code], stdout=out, stderr=out)
    for _ in range(600):
        try:
            urllib.request.urlopen(f"http://localhost:{port}/_stcore/health", timeout=5)
        except OSError:
            time.sleep(0.2)
        else:
            return server
    raise RuntimeError((data / "server.log").read_text())


def photos(side_px: int):
    """Samples without end, no two alike: another pixel, another format."""
    from PIL import Image

    known = sorted((ROOT / "sample_images").glob("*.jpg"))
    for k in range(10**6):
        image = Image.open(known[k % len(known)]).convert("RGB")
        if side_px:
            image.thumbnail((side_px, side_px))
        image.putpixel((k % image.width, 0), (k % 256, k // 256 % 256, 7))
        kind = ("JPEG", "PNG", "WEBP", "JPEG")[k % 4]
        out = io.BytesIO()
        image.save(out, kind, quality=92)
        yield k, out.getvalue(), f"limb{k}.{kind.lower()}"


def visit(context, url: str, photo: tuple[int, bytes, str]) -> None:
    from browse import Page

    k, data, name = photo
    page = Page(context, url)
    page.upload(data, name)
    left, top = page.box()
    for x, y in page.free(3, seed=11 + k):
        page.page.touchscreen.tap(left + x, top + y)
        page.page.wait_for_timeout(400)
    page.settled()
    page.press("undo")
    page.settled()


def main() -> None:
    read = argparse.ArgumentParser(description=__doc__)
    read.add_argument("out", type=Path)
    read.add_argument("--minutes", type=float, default=100)
    read.add_argument("--every", type=float, default=20, help="seconds from visit to visit")
    read.add_argument("--side", type=int, default=0, help="photos made this small, px; 0: as are")
    args = read.parse_args()
    from browse import PHONE
    from conftest import ARGS
    from playwright.sync_api import sync_playwright

    data = Path(tempfile.mkdtemp(prefix="soak"))
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = serve(args.out, data, port)
    end, many, lost = time.monotonic() + 60 * args.minutes, photos(args.side), 0
    try:
        with sync_playwright() as play:
            while time.monotonic() < end:
                browser = play.chromium.launch(executable_path="/usr/bin/chromium", args=ARGS)
                for photo in (next(many) for _ in range(25)):
                    began = time.monotonic()
                    context = browser.new_context(**PHONE)
                    try:
                        visit(context, f"http://localhost:{port}", photo)
                    except Exception as fault:
                        lost += 1
                        print(photo[0], repr(fault)[:200], flush=True)
                    context.close()
                    time.sleep(max(0.0, began + args.every - time.monotonic()))
                    if time.monotonic() > end:
                        break
                browser.close()
                print(f"{photo[0] + 1} visits, {lost} not finished", flush=True)
    finally:
        server.kill()


if __name__ == "__main__":
    main()
