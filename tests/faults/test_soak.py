"""Row 42: hours with every fault of the radio at random; every notification of every sensor is accounted for."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from analysis.rows import Event, Row
from tests.faults.account import Due, account
from tests.faults.conftest import Tell
from tests.faults.soak import SENSORS, Soaked, soak

S = 1_000_000_000


def check(soaked: Soaked, tell: Tell, hours_words: str) -> None:
    for name, found in soaked.accounts.items():
        assert found.balanced, (name, found)
        assert found.lost < 0.2 * found.due, (name, found)
    # At each moment of quiet the recorder holds on to the same: no task, file, link or client is left behind.
    assert len({held.countable for held in soaked.held}) == 1, soaked.held
    assert soaked.held[0].links == soaked.held[0].clients == soaked.held[0].live == SENSORS
    assert soaked.growth_mb < 20
    for name, counts in soaked.summary.sensors.items():
        assert counts.duplicates_dropped == soaked.accounts[name].dropped
        assert counts.not_understood == 0
    assert all(math.isfinite(m.mean_power_w) for s in soaked.judged.segments for m in s.meters.values())
    assert soaked.judged.adjustment is not None
    due = sum(a.due + a.copies for a in soaked.accounts.values())
    parts = [sum(getattr(a, part) for a in soaked.accounts.values()) for part in ("rows", "dropped", "lost")]
    assert due == sum(parts)
    tell(
        42,
        f"{SENSORS} sensors at 4 Hz for {hours_words}, {len(soaked.troubles)} faults of 23 to 30 at random",
        "totals at the end; each gap is marked",
        f"{due} due = {parts[0]} rows + {parts[1]} copies dropped + {parts[2]} in marked gaps; "
        f"memory grew by {soaked.growth_mb:.1f} MB, nothing left open",
    )


def test_ten_minutes(tmp_path: Path, tell: Tell) -> None:
    soaked = soak(tmp_path, 1 / 6, seed=0)
    check(soaked, tell, "10 min")
    assert {t.row for t in soaked.troubles} == {23, 24, 25, 27, 28, 29, 30}


@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_three_hours(tmp_path: Path, tell: Tell) -> None:
    soaked = soak(tmp_path, 3, seed=1)
    check(soaked, tell, "3 h")
    assert {t.row for t in soaked.troubles} == {23, 24, 25, 26, 27, 28, 29, 30}


def row(at_s: float, number: int | None, event: str | None = None, **detail: object) -> Row:
    if event is not None:
        return Row(round(at_s * S), "event", "Alder", event=event, detail=detail)
    return Row(round(at_s * S), "notification", "Alder", "2a63", bytes([number or 0]))


def test_the_account_tells_what_is_missing_what_is_marked_and_what_nobody_sent() -> None:
    """The books themselves, by hand: ten are due, 3 is lost without a word, 6 and 7 inside a marked gap."""
    due = [Due(n * S, "2a63", bytes([n])) for n in range(10)] + [Due(S, "2a63", b"\x01", copy=True)]
    rows = [row(n, n) for n in (0, 1)]
    rows += [row(1.001, None, Event.DUPLICATE_DROPPED, characteristic="2a63", payload="01")]
    rows += [row(n, n) for n in (2, 4, 5)]
    rows += [row(6.5, None, Event.LINK_LOST, reason="gone"), row(7.5, None, Event.LINK_FOUND)]
    rows += [row(8.4, 8), row(9, 9), row(9.1, 77)]
    found = account(due, rows, "Alder")
    assert (found.due, found.copies, found.rows, found.dropped, found.lost) == (10, 1, 8, 1, 3)
    assert found.unmarked == (3 * S,)
    assert found.unknown == (round(9.1 * S),)
    assert not found.balanced
