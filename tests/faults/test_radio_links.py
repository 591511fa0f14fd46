"""Rows 23, 24 and 28 to 32: one sensor is in trouble and the others ride on. The real library, virtual time."""

from __future__ import annotations

import asyncio
from itertools import pairwise

import pytest
from bumble.hci import Address

from analysis.rows import Event
from recorder.link_actions import Timings
from simulated_sensors.virtual_link import SUPERVISION_S, device_on
from tests.fake_sensors import FakeSensor
from tests.faults.conftest import Tell
from tests.faults.radio_bench import RATE_HZ, Air, TimedSink, on_air, sentences, steady, waiting_reasons
from tests.faults.troubled_radio import DONGLE, ConnectTrouble
from tests.riding import number_in

NAMES = ("Alder", "Birch", "Cedar", "Dogwood")
ALDER = "F0:00:00:00:00:01"


def four() -> list[FakeSensor]:
    return [steady(name, number + 1) for number, name in enumerate(NAMES)]


def assert_others_undisturbed(sink: TimedSink, *names: str) -> None:
    """One link all ride long, and every packet at its own time: not even their stamps show the trouble."""
    for name in names or NAMES[1:]:
        assert len(sink.of(Event.LINK_FOUND, name)) == 1, name
        assert sink.of(Event.LINK_LOST, name) == []
        assert sink.longest_gap_s(name) == pytest.approx(1 / RATE_HZ, abs=1e-6), name


def said(sink: TimedSink, words: str) -> str:
    return next(line for line in sentences(sink) if words in line)


@pytest.mark.parametrize("away_s", [2.0, 30.0])
def test_a_sensor_that_drops_is_told_within_a_second_and_looked_for_at_once(away_s: float, tell: Tell) -> None:
    gone_s = back_s = 0.0

    async def experiment(air: Air) -> None:
        nonlocal gone_s, back_s
        await air.until_live(*NAMES)
        await asyncio.sleep(10)
        gone_s = air.now_s
        air.troubled.radio.link.set_in_range(ALDER, False)
        await asyncio.sleep(away_s)
        back_s = air.now_s
        air.troubled.radio.link.set_in_range(ALDER, True)
        await asyncio.sleep(20)

    sink = on_air(four(), experiment)
    assert_others_undisturbed(sink)
    told_s = sink.after_s(gone_s, Event.LINK_LOST, "Alder")
    assert told_s <= SUPERVISION_S + 0.28  # the radio itself takes so long to notice
    again_s = sink.back_after_s(back_s, "Alder")
    # The try comes with the first advertisement; between bursts of scanning, for what is long gone, at most a pause.
    assert again_s < (2.0 if away_s < 10 else Timings().pause_s + 2.0)
    assert len(sink.of(Event.LINK_LOST, "Alder")) == 1
    measured = f"told after {told_s:.2f} s; in range again, data after {again_s:.1f} s; others 0 lost, stamps exact"
    tell(23, f"out of range for {away_s:.0f} s", said(sink, "Alder: link lost"), measured)


def test_silence_on_a_link_that_stands_is_told_at_three_seconds_and_renewed_at_ten(tell: Tell) -> None:
    fell_silent_s = 0.0

    async def experiment(air: Air) -> None:
        nonlocal fell_silent_s
        await air.until_live(*NAMES)
        await asyncio.sleep(10)
        fell_silent_s = air.now_s
        air.troubled.service.mute.add(ALDER)
        while not air.sink.of(Event.LINK_LOST, "Alder"):
            await asyncio.sleep(0.05)
        air.troubled.service.mute.clear()
        await asyncio.sleep(10)

    sink = on_air(four(), experiment)
    assert_others_undisturbed(sink)
    told_s = sink.after_s(fell_silent_s, Event.SILENT, "Alder")
    renewed_s = sink.after_s(fell_silent_s, Event.LINK_LOST, "Alder")
    data_s = sink.back_after_s(fell_silent_s + renewed_s, "Alder")
    assert len(sink.of(Event.LINK_FOUND, "Alder")) == 2
    assert 2.7 < told_s < 3.3
    assert 9.7 < renewed_s < 10.3
    assert data_s < 2.0
    saw = f"{said(sink, 'Alder: linked, but silent')}; {said(sink, 'Alder: link lost')}"
    measured = f"told at {told_s:.1f} s, renewed at {renewed_s:.1f} s, data {data_s:.1f} s later"
    tell(24, "a subscription dies", saw, measured)


def test_of_two_adapters_one_is_pulled_out_and_the_sensors_on_the_other_ride_on(tell: Tell) -> None:
    pulled_s = 0.0

    async def experiment(air: Air) -> None:
        nonlocal pulled_s
        for number in (1, 2):
            air.troubled.service.adapters[f"F0:00:00:00:00:0{number}"] = DONGLE
        await air.until_live(*NAMES)
        await asyncio.sleep(10)
        pulled_s = air.now_s
        await air.troubled.dongle_pulled_out()
        await asyncio.sleep(1)
        await air.until_live(*NAMES)
        await asyncio.sleep(10)

    sink = on_air(four(), experiment)
    assert_others_undisturbed(sink, "Cedar", "Dogwood")
    saw = said(sink, "adapter is gone (hci1)")
    told_s = sink.after_s(pulled_s, Event.BLUETOOTH_SERVICE)
    lost_s = [sink.after_s(pulled_s, Event.LINK_LOST, name) for name in ("Alder", "Birch")]
    back_s = [sink.after_s(pulled_s, Event.LINK_FOUND, name) for name in ("Alder", "Birch")]
    assert max(told_s, *lost_s) < 2
    assert max(back_s) < 15
    measured = f"told at once, its 2 sensors back through the other in {max(back_s):.1f} s; the 2 others 0 lost"
    tell(26, "one of two adapters pulled out, 2 sensors on each", saw, measured)


@pytest.mark.parametrize(
    ("script", "words"),
    [
        (("busy", "busy", "busy"), "the Bluetooth service is still busy with an earlier attempt"),
        (("abort", "abort"), "the connection broke off while it was being made"),
        (("hang",), "it answered no connection"),
        (("abort",) * 6, "the radio is disturbed"),
    ],
)
def test_refused_and_hanging_connections_are_told_with_the_next_try(
    script: tuple[ConnectTrouble, ...], words: str, tell: Tell
) -> None:
    async def experiment(air: Air) -> None:
        await air.until_live(*NAMES)
        await asyncio.sleep(5)
        air.troubled.service.connects[ALDER].extend(script)
        air.troubled.radio.link.set_in_range(ALDER, False)
        await asyncio.sleep(1)
        air.troubled.radio.link.set_in_range(ALDER, True)
        await air.until_live(*NAMES[1:])
        while len(air.sink.of(Event.LINK_FOUND, "Alder")) < 2:
            await asyncio.sleep(0.1)
        await asyncio.sleep(2)
        if script == ("busy",) * 3:
            assert air.troubled.service.forgotten == [ALDER]

    sink = on_air(four(), experiment)
    assert_others_undisturbed(sink)
    told = sink.of(Event.LINK_WAITING, "Alder")
    assert len(told) == len(script)
    assert words in told[-1].detail["reason"]
    assert all(h.detail["next_try_s"] >= 0 for h in told)
    steps = [h.detail["next_try_s"] for h in told if h.detail["next_try_s"]]
    assert all(a < b for a, b in pairwise(steps))
    tries = f"next tries in {', '.join(f'{s:g}' for s in steps)} s" if steps else "the next try at once"
    tell(28, f"connecting: {', '.join(script)}", f"waiting: {words} ...", f"{tries}; others 0 lost, stamps exact")


def test_a_scan_that_is_stuck_is_told_with_its_remedy_and_what_is_linked_goes_on(tell: Tell) -> None:
    async def experiment(air: Air) -> None:
        await air.until_live(*NAMES)
        await asyncio.sleep(5)
        with air.troubled.scan_stuck():
            air.troubled.radio.link.set_in_range(ALDER, False)
            await asyncio.sleep(1)
            air.troubled.radio.link.set_in_range(ALDER, True)
            while not air.sink.of(Event.BLUETOOTH_SERVICE):
                await asyncio.sleep(0.1)
        await air.until_live(*NAMES)
        await asyncio.sleep(1)

    sink = on_air(four(), experiment)
    assert_others_undisturbed(sink)
    (told,) = sink.of(Event.BLUETOOTH_SERVICE)
    assert "(the Bluetooth service says it is busy)" in told.detail["words"]
    assert "bluetoothctl power off, then bluetoothctl power on" in told.detail["words"]
    lost_s = sink.times_s(Event.LINK_LOST, "Alder")[0]
    told_s = sink.after_s(lost_s, Event.BLUETOOTH_SERVICE)
    back_s = sink.times_s(Event.LINK_FOUND, "Alder")[1] - sink.times_s(Event.BLUETOOTH_SERVICE)[0]
    assert told_s < 5
    assert back_s < 10
    measured = f"told {told_s:.1f} s after the loss, linked {back_s:.1f} s later; others 0 lost"
    tell(29, "StartDiscovery: InProgress", told.detail["words"], measured)


def test_a_leaked_subscription_gives_each_notification_once_and_counts_the_copies(tell: Tell) -> None:
    async def experiment(air: Air) -> None:
        await air.until_live(*NAMES)
        await asyncio.sleep(5)
        air.troubled.service.copies[ALDER] = 6
        await asyncio.sleep(10)
        air.troubled.service.copies[ALDER] = 1
        await asyncio.sleep(5)

    sink = on_air(four(), experiment)
    assert_others_undisturbed(sink, *NAMES)
    numbers = [number_in(r.payload) for r in sink.rows if _measured(r, "Alder")]
    assert numbers == list(range(numbers[0], numbers[-1] + 1))
    dropped = len(sink.of(Event.DUPLICATE_DROPPED, "Alder"))
    assert dropped == 5 * 10 * RATE_HZ
    tell(30, "each notification delivered 6 times for 10 s", "copies counted", f"40 of 40; {dropped} dropped")


def _measured(row: object, sensor: str) -> bool:
    return getattr(row, "sensor", None) == sensor and getattr(row, "characteristic", None) == "2a63"


def test_services_without_the_measurement_are_told_and_read_anew_once_the_device_is_forgotten(tell: Tell) -> None:
    """A stale table of services lasts until the service forgets the device."""
    found_s = 0.0

    async def experiment(air: Air) -> None:
        nonlocal found_s
        air.troubled.service.stale.add(ALDER)
        await air.until_live(*NAMES)
        found_s = air.now_s
        assert air.troubled.service.forgotten == [ALDER]
        await asyncio.sleep(5)

    sink = on_air(four(), experiment)
    assert_others_undisturbed(sink)
    (reason,) = waiting_reasons(sink, "Alder")
    assert reason == "its services are not readable; it is tried again from scratch (no 2a63 or 2ad2)"
    waited_s = sink.times_s(Event.LINK_FOUND, "Alder")[0] - sink.times_s(Event.LINK_WAITING, "Alder")[0]
    assert waited_s < 5
    measured = f"linked {waited_s:.1f} s later; others 0 lost"
    tell(31, "services without the measurement", f"waiting: {reason}", measured)


def test_services_that_stay_unreadable_are_tried_ever_more_seldom_and_disturb_nobody(tell: Tell) -> None:
    async def experiment(air: Air) -> None:
        await air.until_live(*NAMES)
        await asyncio.sleep(300)

    bare = steady("Elm", 5, services={"180a": ("2a24",)}, service_uuids=("1818",))
    bare.steps = tuple
    sink = on_air([*four(), bare], experiment)
    tries = len(sink.of(Event.LINK_WAITING, "Elm"))
    assert 8 <= tries <= 20
    assert sink.of(Event.LINK_FOUND, "Elm") == []
    assert_others_undisturbed(sink, *NAMES)
    tell(31, "a sensor with no measurement at all, 5 min", "waiting: its services are not readable", f"{tries} tries")


def test_a_full_adapter_is_guessed_and_what_has_no_place_joins_once_there_is_one(tell: Tell) -> None:
    async def experiment(air: Air) -> None:
        air.troubled.service.max_links = 3
        while not any("full" in reason for name in NAMES for reason in waiting_reasons(air.sink, name)):
            await asyncio.sleep(0.5)
        assert len(air.source.live()) == 3
        (left,) = set(NAMES) - air.source.live()
        assert len(waiting_reasons(air.sink, left)) <= 4
        air.troubled.service.max_links = None
        await air.until_live(*NAMES)
        await asyncio.sleep(5)

    sink = on_air(four(), experiment)
    (late,) = [name for name in NAMES if waiting_reasons(sink, name)]
    assert_others_undisturbed(sink, *(set(NAMES) - {late}))
    reasons = waiting_reasons(sink, late)
    full = "the adapter is probably full with 3 links up: use fewer sensors, or another adapter that holds more"
    assert reasons[-1] == full
    after_s = next(t for t, what, _, d in sink.told if what == Event.LINK_WAITING and d["reason"] == full)
    tell(32, "an adapter that holds 3 links", f"waiting: {full}", f"guessed after {after_s:.0f} s; others 0 lost")


@pytest.mark.parametrize("asleep", [True, False])
def test_what_does_not_advertise_waits_with_the_likely_causes_and_joins_late(asleep: bool, tell: Tell) -> None:
    told_s = joined_s = 0.0

    async def experiment(air: Air) -> None:
        nonlocal told_s, joined_s
        radio = air.troubled.radio
        if asleep:
            radio.link.set_in_range(ALDER, False)
        else:
            phone = device_on(radio.link, "phone", "C0:00:00:00:00:02")
            await phone.power_on()
            held = await phone.connect(Address(ALDER))
        await air.until_live(*NAMES[1:])
        while not any("advertising" in reason for reason in waiting_reasons(air.sink, "Alder")):
            await asyncio.sleep(0.1)
        told_s = air.now_s
        await asyncio.sleep(120)  # nobody pedals, or the phone keeps it; the session goes on
        if asleep:
            radio.link.set_in_range(ALDER, True)
        else:
            await held.disconnect()
            await phone.power_off()
        woke_s = air.now_s
        await air.until_live(*NAMES)
        joined_s = air.now_s - woke_s
        await asyncio.sleep(5)

    sink = on_air(four(), experiment)
    assert_others_undisturbed(sink)
    # Where the phone was faster by a moment, a connection was tried in vain before.
    reason = waiting_reasons(sink, "Alder")[-1]
    causes = ("asleep (spin it)", "out of reach", "connected elsewhere (close the app on the phone)")
    assert all(cause in reason for cause in causes)
    assert 19.5 < told_s < (21.5 if asleep else 33)  # an attempt in vain takes 10 s
    assert joined_s < 15
    what = "not advertising: asleep" if asleep else "held by another central"
    measured = f"told at {told_s:.1f} s, joins {joined_s:.1f} s after; others 0 lost"
    tell(32, f"{what}, 2 min", f"waiting: {reason}", measured)
