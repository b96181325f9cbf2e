"""The report in a real browser: it draws, zooms, toggles, reads out, and asks for nothing."""

from __future__ import annotations

import base64
import hashlib
import os
import re
import shutil
import subprocess

import pytest

from roomtune.report.html import report_html

BROWSER = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
)
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(BROWSER is None, reason="no Chromium is installed"),
]

USER = """
const use = () => {
  if (!document.querySelector("figure[data-plot=channel-0] .u-over")) return setTimeout(use, 100);
  const told = {};
  const saved = [];
  HTMLAnchorElement.prototype.click = function () { saved.push(this.download); };
  const blobs = [];
  URL.createObjectURL = (blob) => { blobs.push(blob); return "about:blank"; };
  const figure = document.querySelector("figure[data-plot=channel-0]");
  const over = figure.querySelector(".u-over");
  const box = over.getBoundingClientRect();
  const mouse = (type, share, target) => (target || over).dispatchEvent(new MouseEvent(type, {
    bubbles: true, view: window, button: 0, buttons: 1, movementX: 5,
    clientX: box.left + share * box.width, clientY: box.top + box.height / 2}));
  mouse("mouseenter", 0.5); mouse("mousemove", 0.5);
  setTimeout(() => {
    told.readout = figure.querySelector(".tools span").textContent;
    told.value = figure.querySelector(".legend button .v").textContent;
    mouse("mousedown", 0.3); mouse("mousemove", 0.6); mouse("mousemove", 0.6, document);
    mouse("mouseup", 0.6); mouse("mouseup", 0.6, document);
    setTimeout(() => {
      const reset = figure.querySelector(".tools button");
      told.zoomed = !reset.hidden;
      reset.click();
      setTimeout(() => {
        told.whole = reset.hidden;
        const button = figure.querySelector(".legend button");
        button.click();
        told.toggled = button.getAttribute("aria-pressed");
        told.overflow = document.documentElement.scrollWidth - window.innerWidth;
        told.charts = document.querySelectorAll("figure canvas").length;
        told.names = [...document.querySelectorAll(".chart")].every(
          (c) => c.getAttribute("role") === "img" && c.getAttribute("aria-label").length > 20);
        figure.querySelectorAll(".tools button")[1].click();
        document.querySelector("button[data-save]").click();
        told.saved = saved;
        Promise.all(blobs.map((blob) => blob.text())).then(([csv, json]) => {
          told.csv = csv.split("\\n")[0];
          told.rows = csv.trim().split("\\n").length;
          told.format = JSON.parse(json).format;
          document.title = "TOLD " + JSON.stringify(told);
        });
      }, 200);
    }, 200);
  }, 200);
};
const waiting = () => document.title.startsWith("TOLD") || setTimeout(waiting, 2);
waiting();  // else the browser's clock runs ahead of what it reads back from its blobs
window.addEventListener("load", () => setTimeout(use, 500));
"""


def run(path, folder, *options) -> subprocess.CompletedProcess:
    """Open a file without any network and return what the browser says."""
    command = [
        BROWSER, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        "--host-resolver-rules=MAP * ~NOTFOUND", f"--user-data-dir={folder}",
        "--enable-logging=stderr", "--virtual-time-budget=20000", *options, f"file://{path}",
    ]  # fmt: skip
    environment = {**os.environ, "HOME": str(folder)}
    return subprocess.run(
        command, capture_output=True, text=True, timeout=240, check=False, env=environment
    )


def console(stderr: str) -> list[str]:
    return [line for line in stderr.splitlines() if "CONSOLE" in line]


@pytest.mark.parametrize("width", [400, 1280])
def test_it_draws_and_can_be_used(content, tmp_path, width):
    page = report_html(content)
    # Only this test's own script is let in besides the report's.
    digest = base64.b64encode(hashlib.sha256(USER.encode()).digest()).decode()
    page = page.replace("script-src ", f"script-src 'sha256-{digest}' ", 1)
    page = page.replace("</body>", f"<script>{USER}</script></body>")
    path = tmp_path / "report.html"
    path.write_text(page, encoding="utf-8")
    result = run(path, tmp_path / "profile", f"--window-size={width},9000", "--dump-dom")
    assert console(result.stderr) == []
    found = re.search(r"<title>TOLD (.*?)</title>", result.stdout)
    assert found, result.stdout[-2000:]
    told = found.group(1)
    for fact in ('"zoomed":true', '"whole":true', '"toggled":"false"', '"names":true'):
        assert fact in told
    assert re.search(r'"readout":"\d[\d.]* k?Hz"', told)
    assert re.search(r'"value":"-?\d+\.\d"', told)
    assert int(re.search(r'"overflow":(-?\d+)', told).group(1)) <= 0
    assert '"saved":["channel-0.csv","tuning.json"]' in told
    assert '"format":"roomtune tuning"' in told
    assert re.search(r'"csv":"frequency in Hz,level in dB re target level: target', told)
    assert int(re.search(r'"rows":(\d+)', told).group(1)) > 200
    assert int(re.search(r'"charts":(\d+)', told).group(1)) > 5


def test_under_its_own_policy_there_is_no_console_message(content, tmp_path):
    path = tmp_path / "report.html"
    path.write_text(report_html(content), encoding="utf-8")
    result = run(path, tmp_path / "profile", "--window-size=900,6000", "--dump-dom")
    assert console(result.stderr) == []
    assert result.stdout.count("<canvas") > 5
