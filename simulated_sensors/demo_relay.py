"""The demo with two of its sensors out of reach: a relay with a clock of its own forwards them through a broker."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from dataclasses import dataclass

import msgspec

from analysis.bench_file import Bench
from analysis.bench_relays import Relay
from recorder.combined_source import CombinedSource
from recorder.compose import bluetooth_source
from recorder.host_clock import HostClock
from recorder.mqtt_client import Broker, connected, open_broker
from recorder.mqtt_relay import RelaySource
from recorder.relay_forwarder import Forwarded, RelayForwarder, RelayJob
from recorder.relay_messages import Topics
from recorder.relay_places import RelayPlace
from simulated_sensors.demo_air import DemoAir
from simulated_sensors.embedded_broker import embedded_broker
from simulated_sensors.peripheral import SimulatedRadio
from simulated_sensors.sensor import SimulatedSensor

RELAY, SESSION = "pocket", "quayside"
FAR = ("Dogwood", "Elm")
AHEAD_S, DRIFT_PPM = 3.0, 40.0
# Faster, the way through the broker would take so much of the ride's time that clocks could not be set by it.
FASTEST = 24.0
_FAREWELL_S = 20.0


@dataclass
class RelayClock:
    """The relay's clock is ahead of the recorder's, and runs fast, as that of another computer does."""

    true: HostClock
    name: str = "relay"

    def now_ns(self) -> int:
        true_ns = self.true.now_ns()
        return true_ns + round(AHEAD_S * 1e9) + round(true_ns * DRIFT_PPM / 1e6)

    def awake_ns(self) -> int:
        return self.now_ns()

    def utc_ns(self) -> int:
        return self.true.utc_ns()


def with_relay(bench: Bench) -> Bench:
    return msgspec.structs.replace(bench, relay=(Relay(name=RELAY, sensors=FAR, session=SESSION),))


@asynccontextmanager
async def relayed_air(
    bench: Bench,
    sensors: Sequence[SimulatedSensor],
    clock: HostClock,
    seed: int,
    url: str | None,
    say: Callable[[str], None],
) -> AsyncIterator[DemoAir]:
    """Two radios that do not hear each other. `url` None: a broker inside this process.

    :raises NoSimulation: where that cannot be started.
    :raises BrokerTrouble: where the one given is not there.
    """
    bench = with_relay(bench)
    near = [sensor for sensor in sensors if sensor.name not in FAR]
    far = [sensor for sensor in sensors if sensor.name in FAR]
    async with AsyncExitStack() as stack:
        where = await stack.enter_async_context(embedded_broker()) if url is None else url
        broker = open_broker(where)
        # A recording would wait for its broker to come back; here there would be nothing to show.
        async with connected(broker, f"{RELAY}-looks"):
            pass
        place = "a broker inside this program" if url is None else f"the broker at {broker.address}"
        say(f"{' and '.join(FAR)} come through relay {RELAY}, whose clock is off, and {place}")
        here = await stack.enter_async_context(SimulatedRadio(near, seed=seed))
        there = await stack.enter_async_context(SimulatedRadio(far, seed=seed + 1))
        own, others = bench.reached_by(None), bench.reached_by(RELAY)
        relay = RelaySource(RelayPlace(Topics(SESSION, RELAY), broker, others.stream_names), clock)
        relay_clock = RelayClock(clock)

        async with _forwarding(others, broker, there, relay_clock, seed, say) as start_relay:

            def begin() -> None:
                here.begin_ride()
                there.begin_ride()
                start_relay()

            yield DemoAir(
                bench,
                CombinedSource(bluetooth_source(own, clock, here.backend, seed), [relay], bench.relayed),
                (
                    (own, bluetooth_source(own, clock, here.backend, seed)),
                    (others, bluetooth_source(others, relay_clock, there.backend, seed)),
                ),
                begin,
            )


@asynccontextmanager
async def _forwarding(
    bench: Bench, broker: Broker, radio: SimulatedRadio, clock: HostClock, seed: int, say: Callable[[str], None]
) -> AsyncIterator[Callable[[], None]]:
    """A relay that works from the call of what is yielded to the end of the block."""
    work: list[tuple[RelayForwarder, asyncio.Task[Forwarded]]] = []
    over = False

    def say_while_riding(words: str) -> None:
        """Afterwards nobody is there to hear what it still has."""
        if not over:
            say(f"relay: {words.strip()}")

    def start() -> None:
        job = RelayJob(Topics(SESSION, RELAY), broker, bench.stream_names)
        source = bluetooth_source(bench, clock, radio.backend, seed)
        forwarder = RelayForwarder(job, source, clock, say_while_riding)
        work.append((forwarder, asyncio.create_task(forwarder.run())))

    try:
        yield start
    finally:
        over = True
        for forwarder, forwarding in work:
            forwarder.stop("the demo ends")
            await asyncio.wait([forwarding], timeout=_FAREWELL_S)
            forwarding.cancel()
            with suppress(asyncio.CancelledError):
                await forwarding
