"""Age, interval, rest and bursts of a link's payloads; packets are built by the project's own encoders."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.characteristics.cycling_speed_cadence import CyclingSpeedCadence
from recorder.arrivals import Arrivals, Burst

MS = 1_000_000


def power(watts: int) -> bytes:
    return b"\x00\x00" + watts.to_bytes(2, "little", signed=True)


def power_and_crank(watts: int, revolutions: int) -> bytes:
    return b"\x20\x00" + watts.to_bytes(2, "little", signed=True) + revolutions.to_bytes(2, "little") + b"\0\0"


def after(packets: list[tuple[int, str, bytes]]) -> tuple[Arrivals, list[Burst]]:
    arrivals = Arrivals(0)
    bursts = [arrivals.note(c, p, ms * MS) for ms, c, p in packets]
    return arrivals, [b for b in bursts if b is not None]


def test_age_counts_from_the_link_until_the_first_measurement() -> None:
    arrivals, _ = after([(900, "2a19", b"\x50"), (950, "2ad3", b"\0")])
    assert arrivals.age(1000 * MS, 3).silent_s == 1.0
    assert arrivals.age(1000 * MS, 3).interval_s is None


def test_the_interval_is_the_median_of_the_gaps() -> None:
    arrivals, _ = after([(k * 250 + (k % 3) * 10, "2a63", power(200)) for k in range(20)])
    assert arrivals.age(10_000 * MS, 3).interval_s == pytest.approx(0.25, abs=0.021)


def test_the_power_measurement_counts_once_there_is_one() -> None:
    arrivals, _ = after([(0, "2a5b", b"\0"), (100, "2a63", power(1)), (4000, "2a5b", b"\0")])
    assert arrivals.age(4100 * MS, 3).silent_s == 4.0


@pytest.mark.parametrize(
    ("characteristic", "payloads", "resting"),
    [
        ("2a63", [power(0)], True),
        ("2a63", [power(180)], False),
        ("2a63", [power_and_crank(180, k // 3) for k in range(12)], False),
        ("2a63", [power_and_crank(3, 77) for k in range(12)], True),
        ("2a63", [power_and_crank(180, 77) for k in range(3)], False),
        ("2a63", [power(0), b""], False),
        ("2a5b", [bytes(CyclingSpeedCadence(crank_revolutions=k, crank_event_ticks=k)) for k in (5, 5, 5)], True),
        ("2a5b", [bytes(CyclingSpeedCadence(crank_revolutions=k, crank_event_ticks=k)) for k in (5, 6, 7)], False),
        ("2ad2", [b"\x05\x00\x00\x00"], True),
        ("2ad2", [b"\x05\x00\xb4\x00"], False),
        ("2a6e", [b"\x10\x09"], True),
    ],
)
def test_rest_is_read_from_what_came_last(characteristic: str, payloads: list[bytes], resting: bool) -> None:
    arrivals, _ = after([(k * 250, characteristic, payload) for k, payload in enumerate(payloads)])
    assert arrivals.age(len(payloads) * 250 * MS, 3).resting is False, "not looked at while data comes"
    assert arrivals.age(60_000 * MS, 3).resting is resting


def test_packets_after_a_pause_all_at_once_are_one_burst() -> None:
    steady = [(k * 250, "2a63", power(k)) for k in range(8)]
    held = [(5_000 + k, "2a63", power(k)) for k in range(12)]
    _, bursts = after(steady + held + [(5_250, "2a63", power(9))])
    assert bursts == [Burst(12, (5_011 - 1_750) / 1e3)]


def test_pairs_that_always_come_together_are_no_burst() -> None:
    pairs = [(k * 500 + half * 5, "2a63", power(k)) for k in range(20) for half in range(2)]
    assert after(pairs)[1] == []


@given(st.lists(st.tuples(st.integers(0, 5000), st.sampled_from(["2a63", "2a5b", "2a19"]), st.binary(max_size=20))))
def test_any_stream_is_borne(steps: list[tuple[int, str, bytes]]) -> None:
    now_ms, packets = 0, []
    for gap_ms, characteristic, payload in steps:
        now_ms += gap_ms
        packets.append((now_ms, characteristic, payload))
    arrivals, bursts = after(packets)
    age = arrivals.age((now_ms + 4000) * MS, 3)
    assert age.silent_s >= 4.0
    assert sum(b.count for b in bursts) <= len(packets)
