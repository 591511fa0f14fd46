"""The ledger page: one file that fetches nothing, says what the figures say, and lets no text be more than text."""

from __future__ import annotations

import json
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
from analysis.ledger.ledger_page import ledger_page
from analysis.ledger.network import network
from analysis.ledger.network_words import network_lines
from analysis.ledger.page_frame import write_page
from analysis.ledger.unit_history import standings, unit_history
from analysis.ledger.unit_page import unit_page
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


# -- the page of one unit --------------------------------------------------------------------------------------


def test_a_unit_has_a_page_to_publish_from(bench_year: Path, tmp_path: Path) -> None:
    out = tmp_path / "alder-1.html"
    assert main(["ledger", "show", "alder-1", "--ledger", str(bench_year), "--page", str(out)]) == 0
    page = out.read_text(encoding="utf-8")
    assert page.count("<tr><th scope") == 24
    assert "pedal pair, 326 g (claimed 322 g), 620 EUR" in page
    assert "differs</strong> – alder-1 against cedar-1: +2." in page
    assert "agrees</strong> – alder-1 against birch-1: " in page
    tags = Tags(page).found
    assert not {"script", "link", "img", "base", "form"} & {tag for tag, _ in tags}


def test_report_takes_a_unit_in_place_of_a_recording(
    bench_year: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "deep" / "report"
    command = ["report", "--unit", "cedar-1", "--ledger", str(bench_year)]
    assert main([*command, "--out", str(out)]) == 0
    assert "cedar-1: cedar-1" in capsys.readouterr().out
    assert [p.name for p in out.iterdir()] == ["unit-cedar-1.html"]
    assert main([*command, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["unit"] == "cedar-1"
    for wrong in (["report"], ["report", "ride.parquet", "--unit", "cedar-1"]):
        with pytest.raises(SystemExit) as stopped:
            main(wrong)
        assert stopped.value.code == 2


def test_the_standing_of_a_unit_is_that_of_the_present_firmware(bench_year: Path) -> None:
    history = unit_history(open_ledger(str(bench_year)).snapshot(), "alder-1")
    standing = {s.partner: s for s in standings(history)}
    assert standing["cedar-1"].mean_pct.rides == 12  # the trainer's rides before its update do not count
    assert abs(standing["cedar-1"].mean_pct.value - 100 * (1 / 0.978 - 1)) < standing["cedar-1"].mean_pct.half_width
    assert (standing["cedar-1"].word, standing["birch-1"].word) == ("differs", "agrees")


def test_a_hostile_unit_stays_text_on_its_page(tmp_path: Path) -> None:
    facts = {"serial": HOSTILE, "parts": [{"name": HOSTILE}], "expected_firmware": HOSTILE}
    tables = [made_results("r", 1, "a", [Against(HOSTILE, [0.1] * 4, HOSTILE, facts)])]
    page = unit_page(unit_history(ledger_of(tmp_path / "l", tables).snapshot(), HOSTILE))
    assert "script" not in {tag for tag, _ in Tags(page).found}
    assert "\x1b" not in page
