"""A relay, a real broker and a recorder: what a sensor sent there is in the recording here, once, at its time."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from recorder.broker_address import open_broker
from recorder.host_clock import SystemClock
from recorder.mqtt_client import BrokerTrouble, connected
from recorder.relay_forwarder import RelayForwarder, RelayJob
from recorder.relay_messages import Farewell, Hello, to_bytes
from tests.mosquitto_broker import Mosquitto, free_port, make_certificates, needs_mosquitto
from tests.relaying import (
    TOPICS,
    NumberedSensor,
    Proxy,
    RecorderSide,
    RelayProcess,
    SkewedClock,
    assert_each_once,
    bound_ms,
    errors_ms,
    events_of,
    numbers_of,
    plain_broker,
    relayed_ride,
    until,
)

pytestmark = [needs_mosquitto, pytest.mark.timeout(60)]


async def test_skewed_clocks_and_20_ms_of_jitter(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker:
        proxy = Proxy(broker.port, jitter_s=0.02)
        await proxy.start()
        clock = SkewedClock(ahead_s=3.0, drift_ppm=40.0)
        async with relayed_ride(
            tmp_path / "ride", plain_broker(proxy.port), plain_broker(broker.port), clock=clock
        ) as ride:
            await asyncio.sleep(3)
            rows = await ride.ended()
        await proxy.stop()
    assert_each_once(ride.sent_ns, rows)
    errors = np.abs(errors_ms(ride.sent_ns, rows, ride.recorder.start_ns))
    assert np.percentile(errors, 99) < bound_ms(rows)
    relayed = [row for row in rows if row["row_kind"] == "relayed"]
    assert [row["origin_seq"] for row in relayed] == sorted(row["origin_seq"] for row in relayed)
    # The clock's own account: the true offset lies within what the recording states.
    told = events_of(rows, "relay_clock")[0]
    detail = json.loads(told["detail"])
    true_offset_ns = clock.of(told["host_ns"] + ride.recorder.start_ns) - told["host_ns"]
    assert abs(detail["offset_ns"] - true_offset_ns) <= detail["half_width_ns"]
    assert len(events_of(rows, "clock_exchange")) >= 15


@pytest.mark.slow
@pytest.mark.timeout(120)
async def test_another_process_with_another_clock_for_a_minute(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker:
        proxy = Proxy(broker.port, jitter_s=0.02)
        await proxy.start()
        recorder = RecorderSide(tmp_path / "ride", plain_broker(broker.port))
        recorder.record()
        relay = await RelayProcess.start(f"mqtt://127.0.0.1:{proxy.port}")
        try:
            await asyncio.sleep(60)
            rows = await recorder.ended(await relay.pause())
        finally:
            await relay.stop()
            await recorder.stop()
            await proxy.stop()
    assert_each_once(relay.sent_ns, rows)
    assert np.percentile(np.abs(errors_ms(relay.sent_ns, rows, recorder.start_ns)), 99) < bound_ms(rows)
    detail = json.loads(events_of(rows, "relay_clock")[-1]["detail"])
    assert abs(detail["drift_ppm"] - 40) <= detail["drift_half_width_ppm"]


async def test_a_way_that_is_40_ms_longer_up_than_down_is_within_what_is_stated(tmp_path: Path) -> None:
    """The half-width, not the error, is what can be relied upon: the error cannot be seen from the two ends."""
    with Mosquitto(tmp_path) as broker:
        proxy = Proxy(broker.port, one_way_s=0.04)
        await proxy.start()
        async with relayed_ride(tmp_path / "ride", plain_broker(proxy.port), plain_broker(broker.port)) as ride:
            await until(lambda: ride.last > 30, 15)
            rows = await ride.ended()
        await proxy.stop()
    errors = errors_ms(ride.sent_ns, rows, ride.recorder.start_ns)
    half_width_ms = json.loads(events_of(rows, "relay_clock")[0]["detail"])["half_width_ns"] / 1e6
    assert 15 < np.abs(errors).max() <= half_width_ms + 1


async def test_a_relay_without_a_broker_ends_when_told_to_and_says_what_is_left() -> None:
    words: list[str] = []
    job = RelayJob(TOPICS, plain_broker(free_port()), ["Birch"])
    forwarder = RelayForwarder(job, NumberedSensor(SystemClock()), SystemClock(), words.append)
    forwarding = asyncio.ensure_future(forwarder.run())
    await until(lambda: any("no broker:" in said for said in words), 10)
    await asyncio.sleep(0.5)
    forwarder.stop("SIGTERM")
    ended = await asyncio.wait_for(forwarding, 15)
    assert ended.received > 3
    assert ended.left > ended.received  # the link and the identity are rows as well
    assert f"{ended.left} rows were not confirmed by any recorder" in ended.in_words()


@pytest.mark.parametrize("cut_s", [0.6, pytest.param(6.5, marks=pytest.mark.slow)])
async def test_a_cut_loses_and_doubles_nothing_and_is_told(tmp_path: Path, cut_s: float) -> None:
    with Mosquitto(tmp_path) as broker:
        proxy = Proxy(broker.port)
        await proxy.start()
        async with relayed_ride(tmp_path / "ride", plain_broker(proxy.port), plain_broker(broker.port)) as ride:
            await until(lambda: ride.last > 20, 10)
            proxy.cut()
            await asyncio.sleep(cut_s)
            proxy.mend()
            mended = len(ride.sent_ns)
            await until(lambda: ride.last > mended, 20)
            rows = await ride.ended()
        await proxy.stop()
    assert_each_once(ride.sent_ns, rows)
    assert np.abs(errors_ms(ride.sent_ns, rows, ride.recorder.start_ns)).max() < bound_ms(rows) + 5
    states = [json.loads(row["detail"])["state"] for row in events_of(rows, "relay")]
    assert states[:2] == ["found", "online"]
    assert "offline" in states
    assert states[-1] in ("online", "well")
    assert ride.recorder.recording.result().sensors["Birch"].gaps == 0
    assert any(word.strip().partition("  ")[2].startswith("no broker:") for word in ride.words)


@pytest.mark.parametrize("late", ["recorder", pytest.param("broker", marks=pytest.mark.slow)])
async def test_any_order_of_start(tmp_path: Path, late: str) -> None:
    broker = Mosquitto(tmp_path)
    if late == "recorder":
        broker.start()
    try:
        async with relayed_ride(tmp_path / "ride", plain_broker(broker.port), plain_broker(broker.port)) as ride:
            if late == "broker":
                await asyncio.sleep(1.5)
                broker.start()
            await until(lambda: ride.last > 20, 15)
            rows = await ride.ended()
        assert_each_once(ride.sent_ns, rows)
        assert ride.recorder.words == []
    finally:
        broker.kill()


async def test_identity_and_links_survive_the_way(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker:
        async with relayed_ride(tmp_path / "ride", plain_broker(broker.port), plain_broker(broker.port)) as ride:
            await until(lambda: ride.last > 5, 10)
            assert ride.recorder.source.live() == {"Birch"}
            ride.forwarder.sink.happened("link_lost", "Birch", reason="the radio link fell")
            ride.forwarder.sink.happened("bluetooth_service", words="the adapter was switched off")
            ride.forwarder.sink.received(ride.sensor.clock.now_ns(), "Birch", "2a19", b"\x58", "read")
            told = len(ride.sent_ns)
            await until(lambda: ride.last > told, 10)  # a later packet is there, so that all before it are
            rows = await ride.ended()
    identified = events_of(rows, "identified")[0]  # said again to a recorder that may not have heard it
    assert identified["sensor"] == "Birch"
    assert json.loads(identified["detail"])["serial"] == "1187"
    (lost,) = events_of(rows, "link_lost")
    assert json.loads(lost["detail"]) == {"reason": "the radio link fell"}
    assert lost["origin_seq"] > 0
    words = [json.loads(row["detail"])["words"] for row in events_of(rows, "relay")]
    assert "at relay pocket: the adapter was switched off" in words
    (read,) = [row for row in rows if row["row_kind"] == "read"]
    assert (read["payload"], read["battery_pct"]) == (b"\x58", 88)


async def test_a_relay_that_was_there_long_before_gives_only_what_is_of_the_ride(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker:
        async with relayed_ride(
            tmp_path / "ride", plain_broker(broker.port), plain_broker(broker.port), record_after_s=2.0
        ) as ride:
            await until(lambda: ride.last > 125, 15)
            rows = await ride.ended()
    found = numbers_of(rows)
    assert found == list(range(found[0], len(ride.sent_ns)))
    assert 80 < found[0] < 125  # some 100 packets are older than the recording
    assert min(row["host_ns"] for row in rows) >= 0


async def test_yesterdays_and_foreign_messages_are_ignored(tmp_path: Path) -> None:
    """Retained messages and those of a stranger's start; then a flood of ten thousand a second beside ours."""
    with Mosquitto(tmp_path) as broker:
        async with connected(plain_broker(broker.port), "stranger") as stranger:
            old = Hello(boot="f" * 16, product="1", clock="c", next=10**9, kept_from=10**9)
            await stranger.publish(TOPICS.up("hello"), to_bytes(old), retain=True)
            await stranger.publish(TOPICS.up("gone"), to_bytes(Farewell(boot="f" * 16, reason="ended")), retain=True)
            async with relayed_ride(tmp_path / "ride", plain_broker(broker.port), plain_broker(broker.port)) as ride:
                await until(lambda: ride.last > 10, 10)
                for number in range(100):
                    await stranger.publish(TOPICS.up("batch"), b"rubbish %d" % number, qos=0)
                    await stranger.publish(TOPICS.up("answer"), b'{"v":1}', qos=0)
                await stranger.publish("wattproof/v1/quayside/other/up/hello", to_bytes(old))
                rows = await ride.ended()
    assert_each_once(ride.sent_ns, rows)
    states = [json.loads(row["detail"])["state"] for row in events_of(rows, "relay")]
    assert states == ["found", "online"]


async def test_through_tls_with_an_authority_and_an_account_of_our_own(tmp_path: Path) -> None:
    certificates = make_certificates(tmp_path / "tls")
    secret = tmp_path / "secret"
    secret.write_text("a long secret\n")
    rules = (
        f"user pocket\ntopic write {TOPICS.up('#')}\ntopic read {TOPICS.down('#')}\n\n"
        f"user recorder\ntopic read {TOPICS.up('#')}\ntopic write {TOPICS.down('#')}\n"
    )
    accounts = {"pocket": "a long secret", "recorder": "a long secret"}
    with Mosquitto(tmp_path, accounts, rules, certificates) as broker:

        def as_user(name: str) -> Any:
            url = broker.url.replace("://", f"://{name}@")
            return open_broker(url, certificates / "ca.crt", secret)

        async with relayed_ride(tmp_path / "ride", as_user("pocket"), as_user("recorder")) as ride:
            await until(lambda: ride.last > 20, 10)
            rows = await ride.ended()
    assert_each_once(ride.sent_ns, rows)


async def test_a_wrong_authority_ends_a_relay_in_a_sentence(tmp_path: Path) -> None:
    certificates = make_certificates(tmp_path / "tls")
    other = make_certificates(tmp_path / "other")
    with Mosquitto(tmp_path, tls=certificates) as broker:
        wrong = open_broker(broker.url, other / "ca.crt")
        async with relayed_ride(tmp_path / "ride", wrong, wrong) as ride:
            with pytest.raises(
                BrokerTrouble, match="not signed by a trusted authority; name your own with --ca FILE"
            ):
                await ride.forwarding
            with pytest.raises(BrokerTrouble, match="not signed by a trusted authority"):
                await ride.recorder.recording


@pytest.mark.slow
async def test_a_plain_client_at_a_tls_port_is_told_so(tmp_path: Path) -> None:
    certificates = make_certificates(tmp_path / "tls")
    with Mosquitto(tmp_path, tls=certificates) as broker:
        plain = plain_broker(broker.port)
        async with relayed_ride(tmp_path / "ride", plain, plain) as ride:
            await until(lambda: any("mqtts://" in words for words in ride.words), 12)
            assert not ride.forwarding.done()


async def test_its_recorder_stops_and_another_takes_over(tmp_path: Path) -> None:
    """What came after the first one's end and before the second's start is of neither, the rest of one of them."""
    with Mosquitto(tmp_path) as broker:
        async with relayed_ride(tmp_path / "ride", plain_broker(broker.port), plain_broker(broker.port)) as ride:
            await until(lambda: ride.last > 20, 10)
            first = numbers_of(await ride.recorder.ended(ride.last))
            ride.recorder.record()
            began = len(ride.sent_ns)
            await until(lambda: ride.last > began + 20, 10)
            rows = await ride.ended()
    second = numbers_of(rows)
    assert first == list(range(first[0], first[-1] + 1))
    assert second == list(range(second[0], len(ride.sent_ns)))
    assert first[-1] < second[0] <= began + 1
    assert len(events_of(rows, "identified")) == 1


def test_true_time_is_that_of_the_recorder() -> None:
    """What the errors above are measured against: the skewed clock is ahead by what it says."""
    clock, true = SkewedClock(3.0, 40.0), SystemClock()
    assert clock.now_ns() - true.now_ns() == pytest.approx(3e9, abs=1e7)
