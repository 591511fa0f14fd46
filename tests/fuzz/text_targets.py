"""Files that a person writes or a program keeps as text: benches, plans, amendments, the ready check."""

from __future__ import annotations

from pathlib import Path

from analysis.amendments import amend_path, amended, change_words, read_amendments
from analysis.bench_file import bench_from_dict, parse_bench
from analysis.comparison import setup_of
from analysis.errors import BadInput
from analysis.plan_file import parse_plan, plan_from_dict
from analysis.safe_text import file_slug, safe_text
from analysis.segments import Segment
from recorder.journal_frames import to_json
from recorder.ready_file import keep_ready, read_ready, still_valid
from tests.fuzz.feed import emptied
from tests.fuzz.harmless import check_line
from tests.fuzz.row_sink import RowSink
from tests.fuzz.targets import Target
from tests.riding import ONE_METER

S = 1_000_000_000
_TOML = Path(__file__).parents[2] / "simulated_sensors"


def bench(data: bytes) -> None:
    """What is read can be kept in a recording and be read from there."""
    try:
        found = parse_bench(data)
    except BadInput as fault:
        _one_sentence(fault)
        return
    setup_of(found)
    to_json(found.as_dict())
    if bench_from_dict(found.as_dict()) != found:
        raise AssertionError("the bench in the recording is another")


def plan(data: bytes) -> None:
    try:
        found = parse_plan(data)
    except BadInput as fault:
        _one_sentence(fault)
        return
    sum(1 for _ in found.turns())
    to_json(found.as_dict())
    if plan_from_dict(found.as_dict()) != found:
        raise AssertionError("the plan in the recording is another")


def amendments(data: bytes) -> None:
    recording = emptied("amendments") / "ride.parquet"
    amend_path(recording).write_bytes(data)
    segments = [Segment(n, f"step {n}", n * 60 * S, (n + 1) * 60 * S) for n in range(1, 4)]
    try:
        found = read_amendments(recording)
        if found is None:
            raise AssertionError("they were there")
        for change in found.changes:
            safe_text(change_words(change))
        amended(segments, found, 300 * S)
    except BadInput as fault:
        _one_sentence(fault)


def ready(data: bytes) -> None:
    path = emptied("ready") / "bench.ready.json"
    path.write_bytes(data)
    found = still_valid(read_ready(path), S, ("Alder", "Birch"))
    if found is None:
        return
    keep_ready(found, RowSink())
    found.as_dict()


def text(data: bytes) -> None:
    """Names and messages of devices, and file names made of them."""
    for clean in (safe_text(data, 40), file_slug(data.decode("utf-8", "surrogateescape"))):
        check_line(clean)


def _one_sentence(fault: BadInput) -> None:
    if "\n" in str(fault) or len(str(fault)) > 1000:
        raise AssertionError(f"no sentence: {fault!s}")


_AMENDMENTS = b"""
[[change]]
do = "exclude"
segment_no = 2
reason = "the chain fell off"
utc = 2026-11-25T16:00:00Z
[[change]]
do = "trim"
segment_no = 3
start_s = 185.0
reason = "late"
utc = 2026-11-25T16:00:00Z
"""
_READY = b"""{"wattproof_ready": 1, "bench": "b", "checked_utc_ns": 1000000000, "sensors": [
{"sensor": "Alder", "identity": {"serial": "7"}, "rate_hz": 4.0,
"findings": [{"what": "battery", "words": "low", "blocks": false}],
"zero": {"outcome": "done", "words": "w", "value": {"utc_ns": 1, "raw": 812, "unit": "u"}}}],
"zeros": {"alder-1": []}}"""


TARGETS = (
    Target("bench", bench, lambda: [ONE_METER.encode(), (_TOML / "quayside_bench.toml").read_bytes()]),
    Target("plan", plan, lambda: [(_TOML / "quayside_plan.toml").read_bytes()]),
    Target("amendments", amendments, lambda: [_AMENDMENTS]),
    Target("ready", ready, lambda: [_READY]),
    Target("text", text, lambda: [b"ALDER 0042", "\x1b]0;\u202e".encode(), b"con.txt"], 0.1),
)
