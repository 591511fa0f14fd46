"""What errors of the installed Bluetooth library mean, what is said of them, and how the service is watched."""

import asyncio
import gc

import pytest

from recorder.bluetooth_library import BleakDBusError, BleakDeviceNotFoundError, BleakError, BleakGATTProtocolError
from recorder.bluetooth_service_watch import GONE, NO_ADAPTER, NO_BUS, OFF, AdapterState
from recorder.bounded import bounded
from recorder.link_actions import Trouble
from recorder.link_failures import LinkFailed, trouble_of
from recorder.link_words import not_seen_words, trouble_words

BLUEZ = "org.bluez.Error."


@pytest.mark.parametrize(
    ("error", "trouble"),
    [
        (TimeoutError(), Trouble.TIMED_OUT),
        (BleakDBusError(BLUEZ + "InProgress", ["Operation already in progress"]), Trouble.BUSY),
        (BleakDBusError(BLUEZ + "Failed", ["le-connection-abort-by-local"]), Trouble.ABORTED),
        (BleakDBusError(BLUEZ + "Failed", ["something else"]), Trouble.OTHER),
        (BleakDBusError(BLUEZ + "Failed", []), Trouble.OTHER),
        (BleakDBusError(BLUEZ + "NotReady", ["Resource Not Ready"]), Trouble.SERVICE),
        (BleakDBusError("org.freedesktop.DBus.Error.ServiceUnknown", ["gone"]), Trouble.SERVICE),
        (BleakDBusError("org.freedesktop.DBus.Error.UnknownObject", ["gone"]), Trouble.VANISHED),
        (BleakDeviceNotFoundError("F0:00:00:00:00:01", "gone"), Trouble.VANISHED),
        (BleakError("device 'dev_F0_00_00_00_00_01' not found"), Trouble.VANISHED),
        (BleakError("failed to discover services, device disconnected"), Trouble.DROPPED),
        (BleakError("Not connected"), Trouble.DROPPED),
        (BleakGATTProtocolError(0x0E), Trouble.OTHER),
        (FileNotFoundError(), Trouble.SERVICE),
        (EOFError(), Trouble.SERVICE),
        (LinkFailed(Trouble.WRONG_SENSOR, "why"), Trouble.WRONG_SENSOR),
        (AssertionError(), Trouble.OTHER),
    ],
)
def test_errors_have_a_meaning(error: Exception, trouble: Trouble) -> None:
    assert trouble_of(error)[0] is trouble


@pytest.mark.parametrize("trouble", Trouble)
def test_every_trouble_has_words_in_which_the_detail_stands(trouble: Trouble) -> None:
    words = trouble_words(trouble, "detail", 1, 0, 0)
    assert "(detail)" in words
    assert words[0].islower()


def test_a_full_adapter_is_suspected_only_with_links_up_and_repeated_failures() -> None:
    assert "full" in trouble_words(Trouble.TIMED_OUT, "", 3, 0, 3)
    assert "full" not in trouble_words(Trouble.TIMED_OUT, "", 2, 0, 3)
    assert "full" not in trouble_words(Trouble.TIMED_OUT, "", 9, 0, 2)
    assert "full" not in trouble_words(Trouble.BUSY, "", 9, 0, 5)
    assert "full" in not_seen_words(3)
    assert "full" not in not_seen_words(2)


class Told:
    """A `ServiceListener` that keeps what it hears."""

    def __init__(self) -> None:
        self.changes: list[str | None] = []
        self.hanging: list[bool] = []
        self.lost: list[tuple[str, str]] = []

    def service_changed(self, trouble: str | None) -> None:
        self.changes.append(trouble)

    def service_hangs(self, hangs: bool) -> None:
        self.hanging.append(hangs)

    def adapter_lost(self, path: str, words: str) -> None:
        self.lost.append((path, words))


def test_only_changes_of_the_service_are_told() -> None:
    listener = Told()
    told = listener.changes
    state = AdapterState(listener)
    state.service(True)
    state.adapter("/org/bluez/hci0", True)
    assert told == []
    state.adapter("/org/bluez/hci0", False)
    state.adapter("/org/bluez/hci1", True)
    state.adapter("/org/bluez/hci1", None)
    state.adapter("/org/bluez/hci0", None)
    state.service(False)
    state.adapter("/org/bluez/hci0", True)
    state.service(True)
    state.adapter("/org/bluez/hci0", True)
    state.unknown(NO_BUS)
    assert told == [OFF, None, OFF, NO_ADAPTER, GONE, None, NO_BUS]


def test_one_of_two_adapters_is_told_apart_from_the_only_one() -> None:
    listener = Told()
    state = AdapterState(listener)
    for path in ("/org/bluez/hci0", "/org/bluez/hci1"):
        state.adapter(path, True)
    state.adapter("/org/bluez/hci1", False)
    state.adapter("/org/bluez/hci1", None)
    state.adapter("/org/bluez/hci1", True)
    state.adapter("/org/bluez/hci1", None)
    assert listener.lost == [("/org/bluez/hci1", OFF), ("/org/bluez/hci1", NO_ADAPTER)]
    assert listener.changes == []
    state.adapter("/org/bluez/hci0", None)
    assert listener.changes == [NO_ADAPTER]
    assert len(listener.lost) == 2


async def test_waiting_is_bounded_even_for_code_that_does_not_let_itself_be_cancelled() -> None:
    release = asyncio.Event()

    async def stubborn() -> None:
        try:
            await asyncio.Event().wait()
        finally:
            await release.wait()

    with pytest.raises(TimeoutError):
        await bounded(stubborn(), 0.0)
    waiting = asyncio.ensure_future(bounded(stubborn(), 60.0))
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    release.set()
    await asyncio.sleep(0)


async def test_results_and_errors_come_through_the_bound() -> None:
    async def fails() -> None:
        raise ValueError

    assert await bounded(asyncio.sleep(0, "done"), 1.0) == "done"
    with pytest.raises(ValueError):
        await bounded(fails(), 1.0)


def test_a_service_that_hangs_is_told_once_and_once_more_when_it_answers() -> None:
    listener = Told()
    told, hanging = listener.changes, listener.hanging
    state = AdapterState(listener)
    state.hangs(False)
    state.hangs(True)
    state.hangs(True)
    state.hangs(False)
    assert hanging == [True, False]
    state.hangs(True)
    state.service(False)
    state.hangs(False)
    assert hanging == [True, False, True]
    assert told == [GONE]


@pytest.mark.parametrize(("module", "shown"), [("dbus_fast.aio.message_bus", False), ("recorder.journal_file", True)])
async def test_errors_that_the_bus_library_leaves_behind_are_not_printed_and_ours_are(
    module: str, shown: bool, caplog: pytest.LogCaptureFixture
) -> None:
    inside = {"__name__": module}
    exec("def send():\n    raise OSError(9, 'Bad file descriptor')\n", inside)
    future: asyncio.Future[None] = asyncio.get_running_loop().create_future()
    try:
        inside["send"]()  # type: ignore[operator]
    except OSError as error:
        future.set_exception(error)
    del future
    gc.collect()
    assert ("never retrieved" in caplog.text) is shown
