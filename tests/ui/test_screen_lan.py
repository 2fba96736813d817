"""``--lan`` over a real network: two network namespaces joined by a cable, a browser in the other.

The server stands in one, the "phone" in the other, so that nothing of this computer's own network
is touched. Needs the rights to make namespaces (Linux, root).
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import ssl
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pytest
from browse import PHONE, Page
from conftest import ARGS, ROOT, keep_counted

WORD = "green peaches 12"
HOST, PHONE_IP = "10.213.77.1", "10.213.77.2"  # private addresses (RFC 1918)
PORT = 8501
START = (
    "import sys; sys.path[:0] = [{ui!r}, {root!r}]\n"
    "from screen_launch import launch\n"
    "launch({port}, lan={lan}, data_dir={data!r}, passphrase={word!r}, https={https})\n"
)
FETCH = """
import json, ssl, sys, urllib.error, urllib.parse, urllib.request
class Stay(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *a): return None
url, word, accept = sys.argv[1:4]
data = urllib.parse.urlencode({"word": word}).encode() if word else None
ask = urllib.request.Request(url, data, {"accept": accept})
try:
    any_paper = urllib.request.HTTPSHandler(context=ssl._create_unverified_context())
    with urllib.request.build_opener(Stay, any_paper).open(ask, timeout=20) as got:
        status, body = got.status, got.read()
except urllib.error.HTTPError as got:
    status, body = got.code, got.read()
except OSError as fault:
    status, body = 0, str(fault).encode()
print(json.dumps([status, body.decode("utf-8", "replace")]))
"""


def _ip(*words: str) -> subprocess.CompletedProcess:
    return subprocess.run(["ip", *words], capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def cable():
    """Two namespaces with a cable between; their names."""
    if shutil.which("ip") is None or not hasattr(os, "geteuid") or os.geteuid() != 0:
        pytest.skip("making a network needs Linux, root and the ip command")
    here, there = f"fcs{os.getpid()}", f"fcp{os.getpid()}"
    made = [_ip("netns", "add", name) for name in (here, there)]
    try:
        if any(m.returncode for m in made):
            pytest.skip(f"network namespaces are not permitted: {made[0].stderr.strip()}")
        steps = [
            f"link add a{os.getpid()} netns {here} type veth "
            f"peer name b{os.getpid()} netns {there}",
            *(
                f"-n {ns} {step}"
                for ns, end, address in ((here, "a", HOST), (there, "b", PHONE_IP))
                for step in (
                    "link set lo up",
                    # else an IPv6 address comes up a second later, which a browser takes for a
                    # changed network and drops what it is loading
                    f"link set {end}{os.getpid()} addrgenmode none",
                    f"addr add {address}/24 dev {end}{os.getpid()}",
                    f"link set {end}{os.getpid()} up",
                )
            ),
            f"-n {here} route add default via {PHONE_IP}",
        ]
        for step in steps:
            done = _ip(*step.split())
            if done.returncode:
                pytest.skip(f"no virtual cable here: ip {step}: {done.stderr.strip()}")
        yield here, there
    finally:
        for name in (here, there):
            _ip("netns", "del", name)


class _Lan:
    """A server in one namespace, asked from the other."""

    def __init__(self, cable, data: Path, *, lan: bool = True, https: bool = False) -> None:
        self.here, self.there = cable
        self.form = "https" if https else "http"
        self.port = PORT + (not lan) + 2 * https
        self.out = data / "out.txt"
        code = START.format(
            ui=str(ROOT / "ui"),
            root=str(ROOT),
            port=self.port,
            lan=lan,
            https=https,
            data=str(data),
            word=WORD if lan else None,
        )
        with self.out.open("w") as out:
            self.process = subprocess.Popen(
                ["ip", "netns", "exec", self.here, sys.executable, "-c", code],
                stdout=out,
                stderr=subprocess.STDOUT,
            )
        deadline = time.monotonic() + 90
        while self.ask("/", near=True)[0] == 0:
            if self.process.poll() is not None or time.monotonic() > deadline:
                raise RuntimeError(self.out.read_text())
            time.sleep(0.5)

    def ask(self, path: str, *, word: str = "", accept: str = "*/*", near: bool = False):
        """Status and text of one request from the phone, or from the computer itself."""
        host, ns = ("127.0.0.1", self.here) if near else (HOST, self.there)
        url = f"{self.form}://{host}:{self.port}{path}"
        command = [sys.executable, "-c", FETCH, url, word, accept]
        done = subprocess.run(
            ["ip", "netns", "exec", ns, *command], capture_output=True, text=True, check=True
        )
        return json.loads(done.stdout)

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait()


@pytest.fixture(scope="module")
def lan(cable, tmp_path_factory):
    data = tmp_path_factory.mktemp("lan")
    key = keep_counted(data, 20, (1600, 1200))
    server = _Lan(cable, data)
    yield server, key
    server.stop()


def _read_code(text: str) -> str:
    """The address in a QR code printed with half blocks, read by OpenCV."""
    lines = [line for line in text.splitlines() if re.fullmatch(r"[ ▀▄█\x1b\[0-9;m]{20,}", line)]
    lines = [re.sub(r"\x1b\[[0-9;]*m", "", line) for line in lines]
    wide = max(map(len, lines))
    cells = {" ": (0, 0), "▀": (1, 0), "▄": (0, 1), "█": (1, 1)}
    grid = [[cells[c][half] for c in line.ljust(wide)] for line in lines for half in (0, 1)]
    lit = np.array(grid, np.uint8) * 255
    for picture in (lit, 255 - lit):
        large = cv2.resize(picture, None, fx=8, fy=8, interpolation=cv2.INTER_NEAREST)
        large = cv2.copyMakeBorder(large, 40, 40, 40, 40, cv2.BORDER_CONSTANT, value=255)
        read, *_ = cv2.QRCodeDetector().detectAndDecode(large)
        if read:
            return str(read)
    return ""


def test_the_printed_address_and_code_lead_there(lan):
    server, _ = lan
    said = server.out.read_text()
    assert f"http://{HOST}:{PORT} (it asks for the passphrase)" in said
    assert _read_code(said) == f"http://{HOST}:{PORT}"
    status, page = server.ask("/enter", accept="text/html")
    assert status == 200
    assert "Passphrase" in page
    assert "Not encrypted: passphrase, photos and answers" in said


@pytest.mark.browser
def test_a_browser_on_another_device_comes_in_and_corrects(lan, tmp_path):
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    path = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
    if path is None:
        pytest.skip("no Chromium on this machine")
    server, key = lan
    away = tmp_path / "chromium-there"
    away.write_text(f'#!/bin/sh\nexec ip netns exec {server.there} {path} "$@"\n')
    away.chmod(0o755)
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=str(away), args=ARGS)
        page = Page(browser.new_context(**PHONE), f"http://{HOST}:{PORT}/?photo={key}")
        assert "/enter" in page.page.url
        page.page.fill("#word", "wrong peaches")
        page.page.get_by_role("button", name="Come in").click()
        assert "not the passphrase" in page.page.inner_text("[role=alert]")
        page.page.fill("#word", WORD)
        page.page.get_by_role("button", name="Come in").click()
        page.ready()
        (x, y), *_ = page.free(1)
        left, top = page.box()
        page.page.touchscreen.tap(left + x, top + y)
        page.settled()
        assert len(page.marks()) == 21
        assert not page.errors
        browser.close()


def test_nothing_is_served_to_another_device_without_the_passphrase(lan):
    server, key = lan
    assert server.ask(f"/photo/{key}")[0] == 403
    assert server.ask("/_stcore/health")[0] == 403
    assert server.ask("/", accept="text/html")[0] == 303
    status, page = server.ask("/enter", word="wrong peaches", accept="text/html")
    assert (status, "not the passphrase" in page) == (403, True)
    for _ in range(4):
        server.ask("/enter", word="wrong peaches", accept="text/html")
    status, page = server.ask("/enter", word=WORD, accept="text/html")
    assert (status, "Too many tries" in page) == (429, True)
    # five wrong guesses from the phone do not lock out the computer itself
    assert server.ask("/enter", word=WORD, near=True)[0] == 303


def test_without_lan_another_device_finds_nothing(cable, tmp_path):
    server = _Lan(cable, tmp_path, lan=False)
    try:
        assert "localhost" in server.out.read_text()
        status, why = server.ask("/")
        assert status == 0
        assert "refused" in why
    finally:
        server.stop()


def test_a_certificate_made_here_encrypts_and_its_fingerprint_is_printed(cable, tmp_path):
    """The fingerprint is worked out anew by Python's own ssl and hashlib, from what is served."""
    pytest.importorskip("cryptography", reason="the https extra is not installed")
    server = _Lan(cable, tmp_path, https=True)
    try:
        assert server.ask("/enter", accept="text/html")[0] == 200
        code = f"import ssl; print(ssl.get_server_certificate(({HOST!r}, {server.port})))"
        command = ["ip", "netns", "exec", server.there, sys.executable, "-c", code]
        served = subprocess.run(command, capture_output=True, text=True, check=True).stdout
        print_ = hashlib.sha256(ssl.PEM_cert_to_DER_cert(served)).hexdigest().upper()
        said = server.out.read_text()
        assert ":".join(re.findall("..", print_)) in said
        assert _read_code(said) == f"https://{HOST}:{server.port}"
        (secret,) = tmp_path.glob("*.key.pem")
        assert secret.stat().st_mode & 0o077 == 0
    finally:
        server.stop()
