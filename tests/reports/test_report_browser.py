"""The HTML report in a real browser: no error, no request, readable on a phone and on paper."""

from __future__ import annotations

import datetime as dt
import re
import subprocess
from pathlib import Path

import pytest

from console.cli import main
from console.ledger.entries import CycleEntry, NightClosed, NightOpened
from console.ledger.ledger import Ledger
from tests.proof.wearing_site import make_site, site_text
from tests.tools import tool

_CHROMIUM = tool("chromium")

_PHONE = (390, 800)


@pytest.fixture
def page(tmp_path: Path) -> Path:
    """The report of a night of 20 props with long names, with upkeep that is due."""
    path = tmp_path / "night.ledger"
    ledger = Ledger.open(path)
    ledger.append([NightOpened(0, "Ada", "2027-10-29")])
    ledger.append(
        [
            CycleEntry(
                f"MF-{prop}", 1, 1, n + 1, f"prop-with-a-rather-long-name-{prop}", "plain",
                "sensor", n * 60_000_000_000, 4.0, 1, n, 1500, (), "done",
            )
            for prop in range(20)
            for n in range(prop + 1)
        ]
    )  # fmt: skip
    ledger.append([NightClosed(7200 * 10**9, "Ada")])
    ledger.close()
    target = tmp_path / "night.html"
    service = "  oil: {title: Oil the rod and look at its seals, part: cylinder, nights: 1}"
    make_site(tmp_path, site_text(9, [(dt.date(2027, 10, 30), 4)], service=service))
    site = str(tmp_path / "site.yaml")
    words = ["report", site, "--ledger", str(path), "--format", "html", "-o", str(target)]
    assert main(words) == 0
    # What a person would see who measures it: the page's own width against the window's.
    probe = target.read_text("utf-8").replace(
        "</body>",
        "<script>document.title = document.documentElement.scrollWidth + ' of ' + "
        "document.documentElement.clientWidth + ', tables ' + Math.max(...Array.from("
        "document.querySelectorAll('.wide'), e => e.scrollWidth - e.clientWidth))"
        "</script></body>",
    )
    (tmp_path / "probe.html").write_text(probe, "utf-8")
    return target


def browser(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run the browser without a screen, with a new profile."""
    quiet = [
        "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
        "--disable-background-networking", "--disable-component-update", "--disable-sync",
        f"--user-data-dir={folder / 'profile'}",
    ]  # fmt: skip
    return subprocess.run(
        [_CHROMIUM, *quiet, *words], capture_output=True, text=True, timeout=90, check=True
    )


def test_page_has_no_error_and_makes_no_request(page: Path, tmp_path: Path) -> None:
    """The browser's own record of the network holds the page's file and nothing else."""
    log = tmp_path / "net.json"
    done = browser(tmp_path, f"--log-net-log={log}", "--dump-dom", page.as_uri())
    assert "Where the figures come from" in done.stdout
    assert "CONSOLE" not in done.stderr
    asked = set(re.findall(r'"url":"(https?://[^"]*)"', log.read_text("utf-8", "replace")))
    # The browser may try to reach its maker's servers by itself; the page names no address.
    assert not re.search(r"https?://", page.read_text("utf-8"))
    assert not any("night" in address for address in asked)


def test_page_fits_a_phone(page: Path, tmp_path: Path) -> None:
    """At phone width neither the page nor any table in it scrolls sideways."""
    width, height = _PHONE
    done = browser(
        tmp_path, f"--window-size={width},{height}", "--hide-scrollbars", "--dump-dom",
        (page.parent / "probe.html").as_uri(),
    )  # fmt: skip
    found = re.search(r"<title>(\d+) of (\d+), tables (\d+)</title>", done.stdout)
    assert found is not None
    assert int(found[1]) <= int(found[2])
    assert int(found[3]) == 0
    assert "Oil the rod and look at its seals" in done.stdout


def test_page_prints(page: Path, tmp_path: Path) -> None:
    """On paper it is a few pages of text that can be selected."""
    target = tmp_path / "night.pdf"
    browser(tmp_path, f"--print-to-pdf={target}", "--no-pdf-header-footer", page.as_uri())
    data = target.read_bytes()
    assert data.startswith(b"%PDF-")
    assert 1 <= len(re.findall(rb"/Type\s*/Page\b", data)) <= 12
