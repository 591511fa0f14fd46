"""One meter's held signals, ready for figures: power and cadence as they stand at any instant, or nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.bench_file import Bench, Meter, meter_streams
from analysis.grid import HeldSignal, hold_limit_ns
from analysis.samples import Ints, SensorSamples, Series


@dataclass(frozen=True)
class MeterSignal:
    """`name` is the meter's; the signals are None where it never sent any; `about` is None for a mere sensor."""

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


def meter_signal(name: str, streams: Sequence[SensorSamples], about: Meter | None = None) -> MeterSignal:
    """Join the streams of one meter: one as it is, two radios as their sum while both are fresh."""
    held = [_held_power(s) for s in streams]
    known = [h for h in held if h is not None]
    power = None if len(known) < len(streams) or not known else known[0] if len(known) == 1 else _sum(known)
    with_cadence = next((s for s in streams if len(s.cadence_rpm)), None)
    cadence = None if with_cadence is None else _held(with_cadence.cadence_rpm, with_cadence.cadence_rpm)
    # Of two radios none knows the other side: their own balance fields say nothing of the whole.
    share = streams[0] if len(streams) == 1 and len(streams[0].balance_left_pct) else None
    balance = None if share is None else _held(share.balance_left_pct, share.cadence_rpm)
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
    return _held(samples.power_w, samples.cadence_rpm) if len(samples.power_w) else None


def _held(series: Series, cadence_rpm: Series) -> HeldSignal:
    return HeldSignal(series.host_ns, series.values, hold_limit_ns(cadence_rpm.at(series.host_ns)))


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
