"""A ledger whose files were damaged: one sentence with the remedy, and the remedy works."""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.ledger.ledger_folder import INDEX, RESULTS, open_ledger
from analysis.ledger.results_schema import RIDE
from tests.ledger_rides import write_ride
from tests.riding import exit_status


@pytest.fixture(scope="module")
def intact(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The files of a ledger with one ride and an index, by their place."""
    folder = tmp_path_factory.mktemp("ledger")
    ride, place = write_ride(folder / "ride.parquet"), folder / "ledger"
    assert exit_status("ledger", "add", str(ride), "--ledger", str(place)) == 0
    assert exit_status("ledger", "list", "--rebuild", "--ledger", str(place)) == 0
    return {str(p.relative_to(place)): p.read_bytes() for p in place.rglob("*") if p.is_file()}


def laid_out(intact: dict[str, bytes], place: Path) -> Path:
    for name, data in intact.items():
        (place / name).parent.mkdir(parents=True, exist_ok=True)
        (place / name).write_bytes(data)
    return place


@pytest.mark.parametrize("share", [0.05, 0.2, 0.5])
@pytest.mark.parametrize("which", [INDEX, RESULTS])
def test_a_damaged_page_is_told_and_mended_by_a_rebuild(
    intact: dict[str, bytes], tmp_path: Path, capsys: pytest.CaptureFixture[str], which: str, share: float
) -> None:
    """Checksums of pages (Parquet format, `PageHeader.crc`) find it when the page is read, not when it is opened."""
    place = laid_out(intact, tmp_path / "ledger")
    if which == RESULTS:
        (place / INDEX).unlink()
    path = place / INDEX if which == INDEX else next((place / RESULTS).glob("*.parquet"))
    data = bytearray(path.read_bytes())
    at = round(share * len(data))
    data[at : at + 40] = bytes(40)
    path.write_bytes(data)
    for words in (["list"], ["show", "alder-1"]):
        status = exit_status("ledger", *words, "--ledger", str(place))
        told = capsys.readouterr().err
        assert status in (0, 1, 2)
        assert "Traceback" not in told
        if status == 2 and "damaged" in told:
            assert "`wattproof ledger list --rebuild`" in told
    assert exit_status("ledger", "list", "--rebuild", "--ledger", str(place)) == 0
    assert open_ledger(str(place)).snapshot().rows(RIDE, ["session"]).num_rows == 1
    assert exit_status("ledger", "show", "alder-1", "--ledger", str(place)) == 0
