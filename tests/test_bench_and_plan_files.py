"""What a person may write into bench and plan files, and the sentence they get for what they may not."""

import contextlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.bench_file import bench_from_dict, meter_streams, parse_bench, read_bench
from analysis.errors import BadBenchFile, BadPlanFile, WattproofError
from analysis.plan_file import parse_plan, plan_from_dict

BENCH = """
[bench]
name = "Quayside bench"
reference = "Alder"

[drivetrain]
loss_pct = 2.5

[[meter]]
name = "Alder"
place = "pedals"
sides = "both"
claim_pct = 1
address = "F0:00:00:00:00:01"
mounted = 2026-11-20
parts = [{ name = "pedal pair", mass_g = 326, price = 620.0, currency = "EUR" }]

[[meter]]
name = "Cedar"
place = "trainer"
addresses = ["F0:00:00:00:00:03", "F0:00:00:00:00:04"]
combine = "sum"

[[sensor]]
name = "Elm"
kind = "cadence"
match = { name = "ELM 7" }
"""

PLAN = """
[plan]
name = "short"

[[step]]
name = "steady 200"
kind = "steady"
seconds = 60
target_w = 200
settle_s = 15

[[step]]
name = "sprint"
kind = "sprint"
seconds = 12
target_w = 900
repeat = 2
rest_s = 45
"""


def test_a_bench_file_is_read_and_survives_the_way_through_json() -> None:
    bench = parse_bench(BENCH.encode())
    assert bench.reference is not None
    assert bench.reference.name == "Alder"
    assert bench.stream_names == ("Alder", "Cedar/1", "Cedar/2", "Elm")
    assert meter_streams(bench.meter[1]) == ("Cedar/1", "Cedar/2")
    assert bench.meter[1].behind_chain
    assert bench_from_dict(bench.as_dict()) == bench


def test_a_plan_is_read_and_its_turns_come_in_riding_order() -> None:
    plan = parse_plan(PLAN.encode())
    turns = list(plan.turns())
    assert [(t.step_id, t.repeat_no, t.rest_s) for t in turns] == [
        ("step-1", 1, 0),
        ("step-2", 1, 0),
        ("step-2", 2, 45),
    ]
    assert plan.seconds == 60 + 12 + 45 + 12
    assert plan_from_dict(plan.as_dict()) == plan


def test_without_a_named_reference_the_first_meter_before_the_chain_serves() -> None:
    text = BENCH.replace('reference = "Alder"\n', "")
    bench = parse_bench(text.encode())
    assert bench.reference is not None
    assert bench.reference.name == "Alder"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("claim_pct = 1\n", "claim_pc = 1\n", "meter 1 (Alder): unknown key `claim_pc` (line 13)"),
        (
            'place = "pedals"',
            'place = "pedal"',
            "meter 1 (Alder), place: 'pedal' is none of chainring, crank, hub, pedals, spider, trainer",
        ),
        ('sides = "both"', 'sides = "all"', "sides: 'all' is none of both, inferred, left, right, total"),
        ('combine = "sum"', 'combine = "add"', "combine: 'add' is none of sum"),
        ('kind = "cadence"', 'kind = "speed"', "sensor 1 (Elm), kind: 'speed' is none of cadence, temperature"),
        ("claim_pct = 1\n", "claim_pct = -1\n", "meter 1 (Alder), claim_pct: expected a number >= 0.0 (line 13)"),
        ("claim_pct = 1\n", "claim_pct = true\n", "expected a number, got true or false"),
        ("claim_pct = 1\n", "claim_pct = nan\n", "inf or nan"),
        ('name = "Alder"\nplace', "place", "meter 1: the key `name` is missing"),
        ('reference = "Alder"', 'reference = "Oak"', "no meter named `Oak`"),
        ('name = "Cedar"', 'name = "Alder"', "`Alder` is used 2 times"),
        ("00:03", "00:01", "F0:00:00:00:00:01 is given more than once"),
        ('combine = "sum"\n', "", "two radios need two `addresses`"),
        ('address = "F0:00:00:00:00:01"', 'address = "F0-1"', "`F0-1` is not a Bluetooth address"),
        ('address = "F0:00:00:00:00:01"', "", "give its `address`, or `match`"),
        ('match = { name = "ELM 7" }', 'match = { name = "E" }\naddress = "F0:00:00:00:00:09"', "not both"),
        ('place = "trainer"', 'place = "trainer"\nsides = "left"', "cannot measure one side only"),
        ('name = "Elm"', 'name = "E\\u001b[2J"', "characters that cannot be shown"),
        ("[bench]", "[bench", "not valid TOML"),
        ("loss_pct = 2.5", "a.b.c.d.e.f.g.h.i = 1", "nests keys or lists"),
    ],
)
def test_a_fault_in_a_bench_file_is_one_sentence_with_its_place(old: str, new: str, words: str) -> None:
    assert old in BENCH
    with pytest.raises(BadBenchFile) as caught:
        parse_bench(BENCH.replace(old, new, 1).encode(), "bench.toml")
    message = str(caught.value)
    assert words in message
    assert message.startswith("bench.toml")
    assert "\n" not in message
    assert message.endswith(".")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("settle_s = 15", "settle_s = 60", "leaves nothing of its 60 s"),
        ("target_w = 200\n", "", "a steady step needs target_w"),
        ('kind = "sprint"', 'kind = "sprint"\nuntil = "decided"', "steady steps only"),
        ("repeat = 2", "repeat = 0", "step 2 (sprint), repeat: "),
        (
            'kind = "sprint"',
            'kind = "Sprint"',
            "kind: 'Sprint' is none of cool-down, free, over-under, sprint, steady, ",
        ),
        ("repeat = 2", "repeats = 2", "unknown key `repeats`"),
    ],
)
def test_a_fault_in_a_plan_is_one_sentence_with_its_place(old: str, new: str, words: str) -> None:
    with pytest.raises(BadPlanFile) as caught:
        parse_plan(PLAN.replace(old, new, 1).encode())
    assert words in str(caught.value)


@given(st.binary(max_size=300))
def test_any_bytes_are_a_bench_or_our_error(data: bytes) -> None:
    with contextlib.suppress(WattproofError):
        assert parse_bench(data).stream_names


def test_deep_nesting_giant_numbers_and_size_are_refused_at_once() -> None:
    for hostile in (b"a = " + b"[" * 5000 + b"]" * 5000, b"a = " + b"9" * 5000, b"#" * 70_000):
        with pytest.raises(BadBenchFile):
            parse_bench(hostile)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(BadBenchFile, match=r"nowhere\.toml cannot be read"):
        read_bench(tmp_path / "nowhere.toml")
