"""The ledger page: one file that fetches nothing, says what the figures say, and lets no text be more than text."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from analysis.adjustment import adjust
from analysis.command_line import main
from analysis.errors import BadInput
from analysis.ledger.ledger_figures import network_svg, time_svg
from analysis.ledger.ledger_folder import LedgerFolder, open_ledger
from analysis.ledger.ledger_page import ledger_page, write_page
from analysis.ledger.network import network
from analysis.ledger.network_words import network_lines
from analysis.ledger.unit_history import unit_history
from tests.ledger_rides import Against, ledger_of, made_results

HOSTILE = "</title><script>alert(1)</script>\x1b[31m"


@pytest.fixture(scope="module")
def bench_year(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of that ledger; treat it as read-only."""
    place = tmp_path_factory.mktemp("year")
    workshop(place)
    return place


def workshop(place: Path) -> LedgerFolder:
    """A year of the Quayside bench: three partners of the pedals, and the trainer's firmware changes in summer."""
    noise = np.random.default_rng(21)
    part = {"name": "pedal pair", "mass_g": 326.0, "claimed_mass_g": 322.0, "price": 620.0, "currency": "EUR"}
    tables = []
    for n in range(24):
        alder = {
            "serial": "0042",
            "model": "ALDER",
            "parts": [part],
            "battery_first_pct": 98.0 - 3 * n % 60,
            "battery_last_pct": 96.0 - 3 * n % 60,
        }
        cedar = -0.4 if n < 12 else -2.2
        others = [
            Against("cedar-1", (cedar + 0.2 * noise.standard_normal() + 0.1 * noise.standard_normal(4)).tolist())
        ]
        if n >= 12:
            others = [Against("cedar-1", others[0].away_pct, "2.1.0")]
        if n % 2:
            others.append(Against("birch-1", (0.3 + 0.2 * noise.standard_normal(4)).tolist(), "4.0"))
        if n % 5 == 0:
            others.append(Against("dogwood-1", (-1.0 + 0.4 * noise.standard_normal(4)).tolist()))
        tables.append(made_results(f"ride{n:02d}", 15.0 * n, "alder-1", others, reference_facts=alder))
    return ledger_of(place, tables)


class Tags(HTMLParser):
    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


def test_the_page_shows_units_network_and_firmware(bench_year: Path) -> None:
    snapshot = open_ledger(str(bench_year)).snapshot()
    page = ledger_page(snapshot, network_lines(adjust(network(snapshot))))
    for unit in ("alder-1", "birch-1", "cedar-1", "dogwood-1"):
        assert page.count(unit) >= 4
    assert "4 units · 24 rides · 2026-11-25 to 2027-11-05" in page
    assert re.search(r"after 2\.1\.0: −1\.8.±.0\.2.% against alder-1", page)
    assert "pedal pair, 326 g (claimed 322 g), 620 EUR" in page
    svgs = [ElementTree.fromstring(svg) for svg in re.findall(r"<svg.*?</svg>", page, re.DOTALL)]
    assert len(svgs) >= 5


def test_the_page_fetches_and_runs_nothing(bench_year: Path) -> None:
    page = ledger_page(open_ledger(str(bench_year)).snapshot())
    tags = Tags(page).found
    assert not {"script", "link", "img", "iframe", "object", "base", "form"} & {tag for tag, _ in tags}
    assert not any(name.startswith("on") or name in ("src", "style") for _, attrs in tags for name in attrs)
    assert all((attrs.get("href") or "#").startswith("#") for _, attrs in tags)
    policy = next(a["content"] for _, a in tags if a.get("http-equiv") == "Content-Security-Policy")
    assert str(policy).startswith("default-src 'none'; style-src 'sha256-")


def test_a_hostile_unit_stays_text(tmp_path: Path) -> None:
    facts = {"serial": HOSTILE, "model": HOSTILE, "parts": [{"name": HOSTILE}]}
    tables = [made_results(f"r{n}", n, HOSTILE, [Against("b", [0.1] * 4, HOSTILE, facts)]) for n in range(2)]
    snapshot = ledger_of(tmp_path / "l", tables).snapshot()
    page = ledger_page(snapshot, network_lines(adjust(network(snapshot))))
    assert "script" not in {tag for tag, _ in Tags(page).found}
    assert "\x1b" not in page


def test_every_comparison_of_a_unit_is_a_dot_and_a_change_of_firmware_a_line(bench_year: Path) -> None:
    history = unit_history(open_ledger(str(bench_year)).snapshot(), "cedar-1")
    drawn = time_svg(history, ["alder-1"])
    assert drawn.count('<circle class="dot') == len(history.pairs) == 24
    assert drawn.count(">2.1.0<") == 1
    xs = [float(x) for x in re.findall(r'<circle class="dot dot-0" cx="([\d.]+)"', drawn)]
    assert xs == sorted(xs)


def test_the_network_has_a_line_for_each_pair() -> None:
    drawn = network_svg({("a", "b"): 3, ("b", "c"): 1})
    assert drawn.count('class="tie"') == 2
    assert drawn.count('class="point"') == 3
    assert network_svg({}) == ""


def test_list_writes_the_page_and_replaces_only_one_of_ours(
    bench_year: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "ledger.html"
    command = ["ledger", "list", "--ledger", str(bench_year), "--page", str(out)]
    assert main(command) == 0
    first = out.read_bytes()
    assert main(command) == 0
    assert out.read_bytes() == first
    out.write_text("somebody's own work")
    assert main(command) == 2
    assert "is no page of ours" in capsys.readouterr().err
    assert out.read_text() == "somebody's own work"
    with pytest.raises(BadInput, match="cannot be written"):
        write_page(tmp_path / "missing" / "x.html", "")
