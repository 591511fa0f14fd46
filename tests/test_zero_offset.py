"""A control point whose answers come early, late or never, and what is said of them.

Layouts and results: Bluetooth SIG, GATT Specification Supplement, Cycling Power Control Point.
"""

import asyncio
import gc

import pytest

from recorder.control_point import ControlPoint, NoAnswer
from recorder.link_actions import Trouble
from recorder.link_failures import LinkFailed
from recorder.zero_offset import REQUEST, read_answer, refusal

MEASURES_TORQUE = (1 << 16).to_bytes(4, "little")
MEASURES_FORCE = bytes(4)


class Sensor:
    """Answers as told; `late` collects what nobody waited for."""

    def __init__(self, early: bytes | None = None) -> None:
        self.early = early
        self.written: list[bytes] = []
        self.late: list[bytes] = []
        self.point = ControlPoint(self.write, self.late.append)

    async def write(self, request: bytes) -> None:
        self.written.append(request)
        if self.early is not None:
            self.point.indicated(self.early)
        await asyncio.sleep(0)


async def test_an_answer_before_the_write_returns_is_not_missed() -> None:
    assert await Sensor(b"\x20\x0c\x01\xf4\xff").point.ask(b"\x0c", 1.0) == b"\x20\x0c\x01\xf4\xff"


async def test_no_answer_ends_the_waiting_and_a_late_one_is_passed_on() -> None:
    sensor = Sensor()
    with pytest.raises(NoAnswer):
        await sensor.point.ask(b"\x0c", 0.0)
    sensor.point.indicated(b"\x20\x0c\x01")
    assert sensor.late == [b"\x20\x0c\x01"]


async def test_an_answer_to_another_request_is_not_taken() -> None:
    sensor = Sensor(early=b"\x20\x05\x01\x59\x01")
    with pytest.raises(NoAnswer):
        await sensor.point.ask(b"\x0c", 0.0)
    assert sensor.late == [b"\x20\x05\x01\x59\x01"]


async def test_a_lost_link_ends_the_waiting_at_once() -> None:
    sensor = Sensor()
    asking = asyncio.ensure_future(sensor.point.ask(b"\x0c", 30.0))
    while not sensor.written:
        await asyncio.sleep(0)
    sensor.point.dropped(LinkFailed(Trouble.DROPPED))
    with pytest.raises(LinkFailed):
        await asking


async def test_a_link_lost_while_the_request_is_written_leaves_nothing_for_asyncio_to_complain_about(
    caplog: pytest.LogCaptureFixture,
) -> None:
    async def write(request: bytes) -> None:
        control_point.dropped(LinkFailed(Trouble.DROPPED))
        raise ConnectionError

    control_point = ControlPoint(write, lambda payload: None)
    with pytest.raises(ConnectionError):
        await control_point.ask(REQUEST, 1.0)
    gc.collect()
    assert "never retrieved" not in caplog.text


async def test_requests_wait_for_each_other() -> None:
    sensor = Sensor()
    first = asyncio.ensure_future(sensor.point.ask(b"\x05", 30.0))
    second = asyncio.ensure_future(sensor.point.ask(b"\x0c", 30.0))
    while not sensor.written:
        await asyncio.sleep(0)
    assert sensor.written == [b"\x05"]
    sensor.point.indicated(b"\x20\x05\x01\x59\x01")
    await first
    while len(sensor.written) < 2:
        await asyncio.sleep(0)
    sensor.point.indicated(b"\x20\x0c\x04")
    assert await second == b"\x20\x0c\x04"


@pytest.mark.parametrize(
    ("payload", "feature", "outcome", "raw", "unit", "offset_nm"),
    [
        ("200c01f4ff", MEASURES_TORQUE, "done", -12, "1/32 N·m", -0.375),
        ("200c01ec00", MEASURES_FORCE, "done", 236, "N", None),
        ("200c01ec00", None, "done", 236, "N", None),
        ("200c01ffff", MEASURES_TORQUE, "done", None, None, None),
        ("200c01", MEASURES_TORQUE, "done", None, None, None),
        ("200c02", MEASURES_TORQUE, "unsupported", None, None, None),
        ("200c03", MEASURES_TORQUE, "failed", None, None, None),
        ("200c04", MEASURES_TORQUE, "failed", None, None, None),
        ("200c0105", MEASURES_TORQUE, "not_understood", None, None, None),
        ("20", MEASURES_TORQUE, "not_understood", None, None, None),
    ],
)
def test_answers_are_read(
    payload: str, feature: bytes | None, outcome: str, raw: int | None, unit: str | None, offset_nm: float | None
) -> None:
    answer = read_answer("Alder", bytes.fromhex(payload), feature)
    assert (answer.outcome, answer.raw, answer.unit, answer.offset_nm) == (outcome, raw, unit, offset_nm)
    assert answer.words
    assert answer.done is (outcome == "done")


@pytest.mark.parametrize(
    ("att_error", "outcome"), [(0xFD, "not_configured"), (0xFE, "busy"), (0x06, "unsupported"), (0x80, "refused")]
)
def test_refusals_have_their_words(att_error: int, outcome: str) -> None:
    assert refusal("Alder", att_error).outcome == outcome
    assert "sensor" in refusal("Alder", att_error).words


def test_the_request_is_start_offset_compensation() -> None:
    assert REQUEST == b"\x0c"
