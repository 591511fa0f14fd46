"""What hostile files cost: one sentence each, and memory that is measured in a process of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from analysis.command_line import main
from analysis.errors import BadRideFile
from analysis.ride_files.csv_mapping import parse_mapping
from analysis.ride_files.opening import read_ride_file
from tests.fit_files import fit_of
from tests.hostile_files import HOSTILE, Hostile, write_hostile

MOST_GROWTH_KB = 200_000
STATUS = Path("/proc/self/status")
# The greatest resident size since the program began; that of `getrusage` would begin with the parent's.
CHILD = """
import json, sys
from pathlib import Path
from analysis.errors import BadRideFile
from analysis.ride_files.csv_mapping import parse_mapping
from analysis.ride_files.opening import read_ride_file

def peak_kb():
    lines = Path("/proc/self/status").read_text().splitlines()
    return int(next(line for line in lines if line.startswith("VmHWM")).split()[1])

mapping = parse_mapping("time=t,power=p")
read_ride_file(Path(sys.argv[1]), mapping=mapping)
before = peak_kb()
for line in sys.stdin:
    try:
        read_ride_file(Path(line.strip()), mapping=mapping)
        said = ""
    except BadRideFile as fault:
        said = str(fault)
    print(json.dumps([said, peak_kb() - before]), flush=True)
"""
BENCH = """
[bench]
name = "Quayside bench"
[[meter]]
name = "Alder"
place = "pedals"
address = "F0:00:00:00:00:01"
"""


@pytest.mark.timeout(300)
@pytest.mark.skipif(not STATUS.exists(), reason="needs /proc to see the greatest memory of a process")
def test_each_costs_one_sentence_and_little_memory(tmp_path: Path) -> None:
    good = tmp_path / "good.fit"
    good.write_bytes(fit_of([200.0] * 600))
    command = [sys.executable, "-c", CHILD, str(good)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdin is not None
        assert child.stdout is not None
        for hostile in HOSTILE:
            path = write_hostile(tmp_path, hostile)
            print(path, file=child.stdin, flush=True)
            said, growth_kb = json.loads(child.stdout.readline())
            path.unlink()
            assert hostile.says in said, hostile.name
            assert "\n" not in said
            assert growth_kb < MOST_GROWTH_KB, hostile.name
        child.stdin.close()


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.fit")
    for path in (tmp_path / "pipe.fit", tmp_path, tmp_path / "missing.fit", tmp_path / ("x" * 300), Path("a\0b")):
        with pytest.raises(BadRideFile, match=r"is not a file|does not exist|cannot be read"):
            read_ride_file(path, mapping=parse_mapping("time=t,power=p"))


@pytest.mark.parametrize("hostile", HOSTILE[:1] + HOSTILE[12:14], ids=lambda h: h.name)
def test_the_command_says_it_once_and_leaves_everything_as_it_was(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], hostile: Hostile
) -> None:
    path = write_hostile(tmp_path, hostile)
    (tmp_path / "bench.toml").write_text(BENCH)
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "kept.parquet").write_bytes(b"kept")
    status = main(["import", str(path), "--bench", str(tmp_path / "bench.toml"), "--out", str(tmp_path / "out")])
    told = capsys.readouterr()
    assert status == 2
    assert told.out == ""
    assert told.err.count("\n") == 1
    assert hostile.says in told.err
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["kept.parquet"]


def test_control_characters_of_a_path_do_not_reach_the_terminal(tmp_path: Path) -> None:
    with pytest.raises(BadRideFile) as told:
        read_ride_file(tmp_path / "a\x1b[2J\u202eb.fit")
    assert "\x1b" not in str(told.value)
    assert "\u202e" not in str(told.value)
