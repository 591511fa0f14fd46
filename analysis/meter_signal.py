"""One meter's held signals, ready for figures: power and cadence as they stand at any instant, or nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analysis.bench_file import Bench, Meter, meter_streams
from analysis.crank_turns import CrankTurns
from analysis.grid import HeldSignal, hold_limit_ns
from analysis.power_figures import AT_REST_RPM
from analysis.samples import Ints, SensorSamples, Series


@dataclass(frozen=True)
class MeterSignal:
    """`name` is the meter's; the signals are None where it never sent any; `about` is None for a mere sensor.

    `cadence` is what the sensor told at any instant, and late by up to a turn and a message. Means of it are made
    from the three properties: turns over the sensor's own time where it counts them (`CrankTurns`), as told where it
    sends a cadence only.
    """

    name: str
    power: HeldSignal | None
    cadence: HeldSignal | None
    balance: HeldSignal | None
    samples: tuple[SensorSamples, ...]
    about: Meter | None = None

    @property
    def arrivals_ns(self) -> Ints:
        """Notifications of the first radio; two radios of one meter keep the same rhythm."""
        return self.samples[0].arrivals_ns if self.samples else np.empty(0, np.int64)

    @cached_property
    def counts_turns(self) -> bool:
        return self._turns is not None

    @cached_property
    def pedalled(self) -> HeldSignal | None:
        """The cadence while the rider pedals; nothing is held in a coast."""
        return self._told(pedalling=True) if self._turns is None else self._turns.pedalled

    @cached_property
    def turned(self) -> HeldSignal | None:
        """The cadence, in a coast as the sensor told it: it comes down to 0."""
        if self._turns is None or self.cadence is None:
            return self.cadence
        return self._turns.pedalled.else_from(self.cadence)

    @cached_property
    def turned_and_rested(self) -> HeldSignal | None:
        """All turns over all time, with 0 while the sensor tells of standing still and no turn spans it."""
        still = self._told(pedalling=False)
        if self._turns is None or still is None:
            return self.cadence
        return self._turns.counted.else_from(still)

    @cached_property
    def _turns(self) -> CrankTurns | None:
        packets = next((s.crank_packets for s in self.samples if len(s.cadence_rpm)), {})
        return CrankTurns(packets) if packets else None

    def _told(self, *, pedalling: bool) -> HeldSignal | None:
        if self.cadence is None:
            return None
        return self.cadence.where(lambda rpm: rpm >= AT_REST_RPM if pedalling else rpm == 0)


def meter_signal(name: str, streams: Sequence[SensorSamples], about: Meter | None = None) -> MeterSignal:
    """Join the streams of one meter: one as it is, two radios as their sum while both are fresh."""
    held = [_held_power(s) for s in streams]
    known = [h for h in held if h is not None]
    power = None if len(known) < len(streams) or not known else known[0] if len(known) == 1 else _sum(known)
    with_cadence = next((s for s in streams if len(s.cadence_rpm)), None)
    cadence = None if with_cadence is None else _held(with_cadence, with_cadence.cadence_rpm)
    # Of two radios none knows the other side: their own balance fields say nothing of the whole.
    share = streams[0] if len(streams) == 1 and len(streams[0].balance_left_pct) else None
    balance = None if share is None else _held(share, share.balance_left_pct)
    return MeterSignal(name, power, cadence, balance, tuple(streams), about)


def bench_signals(bench: Bench, samples: Mapping[str, SensorSamples]) -> dict[str, MeterSignal]:
    """Every meter and sensor of the bench that sent anything, in the order of the bench file."""
    found = {}
    for meter in bench.meter:
        streams = [samples[name] for name in meter_streams(meter) if name in samples]
        if len(streams) == len(meter_streams(meter)):
            found[meter.name] = meter_signal(meter.name, streams, meter)
    for sensor in bench.sensor:
        if sensor.name in samples:
            found[sensor.name] = meter_signal(sensor.name, [samples[sensor.name]])
    return found


def shared_cadence(signals: Mapping[str, MeterSignal], first: str | None) -> HeldSignal | None:
    """The cadence of the ride: that of `first` if it has one, else at every instant of the next that is fresh.

    A sensor that dies on the way must not take the seconds of two healthy meters with it.
    """
    if first is not None and first in signals and (own := signals[first].cadence) is not None:
        return own
    known = [c for signal in signals.values() if (c := signal.cadence) is not None]
    return _first_fresh(known) if len(known) > 1 else known[0] if known else None


def _held_power(samples: SensorSamples) -> HeldSignal | None:
    return _held(samples, samples.power_w) if len(samples.power_w) else None


def _held(samples: SensorSamples, series: Series) -> HeldSignal:
    if samples.hold_s is not None:
        limit_ns = np.asarray(round(samples.hold_s * 1e9), np.int64)
    else:
        limit_ns = hold_limit_ns(samples.cadence_rpm.at(series.host_ns))
    held = HeldSignal(series.host_ns, series.values, limit_ns)
    return held.without(samples.untimed_ns)


def _sum(parts: Sequence[HeldSignal]) -> HeldSignal:
    """Their sum wherever all are fresh; between neighbouring edges of any of them each is constant or stale."""
    edges = np.unique(np.concatenate([np.concatenate((p.start_ns, p.stop_ns)) for p in parts]))
    lasts_ns = np.diff(edges)
    total = np.zeros(len(lasts_ns))
    for part in parts:
        held = part.between(edges)
        total += np.where(held.fresh_ns == lasts_ns, held.value_ns / np.maximum(lasts_ns, 1), np.nan)
    return HeldSignal(edges[:-1], total, lasts_ns)


def _first_fresh(parts: Sequence[HeldSignal]) -> HeldSignal:
    """At every instant the value of the first that holds one; between neighbouring edges none of them changes."""
    edges = np.unique(np.concatenate([np.concatenate((p.start_ns, p.stop_ns)) for p in parts]))
    values = np.full(len(edges) - 1, np.nan)
    for part in parts:
        values = np.where(np.isnan(values), part.at(edges[:-1]), values)
    return HeldSignal(edges[:-1], values, np.diff(edges))
