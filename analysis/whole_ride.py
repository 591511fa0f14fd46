"""What only a whole ride tells of each meter: response, sprints, effects, packets, cadence, scale and offset."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analysis.cadence_agreement import CadenceAgreement, cadence_agreement
from analysis.comparison import APART, Setup
from analysis.effect_blocks import ride_effects
from analysis.effects import Effects
from analysis.meter_signal import MeterSignal
from analysis.packet_check import PacketCheck, packet_check
from analysis.response_time import ResponseTime, response_time
from analysis.ride_verdict import RideVerdict
from analysis.rows import Event, Row
from analysis.scale_offset import ScaleOffset, scale_and_offset
from analysis.segment_metrics import SegmentMetrics
from analysis.sprints import SprintComparison, SprintTerms, compare_sprints


@dataclass(frozen=True)
class WholeRide:
    """By meter, the reference left out, except `packet_checks`: by stream, one for each segment."""

    responses: Mapping[str, ResponseTime]
    sprints: SprintComparison | None
    effects: Mapping[str, Effects]
    scale_offsets: Mapping[str, ScaleOffset]
    packet_checks: Mapping[str, tuple[PacketCheck, ...]]
    cadence: tuple[CadenceAgreement, ...]


def whole_ride_figures(
    signals: Mapping[str, MeterSignal],
    results: Sequence[SegmentMetrics],
    verdicts: Mapping[str, RideVerdict],
    setup: Setup,
    events: Sequence[Row],
    end_ns: int,
) -> WholeRide:
    """All of them; without a reference only what each sensor tells of itself."""
    segments = [r.segment for r in results]
    packets = {
        stream.sensor: packet_check(stream, segments, _new_links_ns(events, stream.sensor))
        for signal in signals.values()
        for stream in signal.samples
        if stream.torque_packets
    }
    cadence = cadence_agreement(signals, segments, setup.lags_s)
    base = signals.get(setup.reference) if setup.reference is not None else None
    if base is None:
        return WholeRide({}, None, {}, {}, packets, cadence)
    responses = {name: response_time(signals[name], base, 0, end_ns) for name in verdicts}
    terms = {name: _terms(verdict, responses[name], setup) for name, verdict in verdicts.items()}
    thermometer = next((s for s in signals.values() if any(len(p.temperature_c) for p in s.samples)), None)
    effects = {
        name: ride_effects(
            signals[name],
            base,
            segments,
            setup.lags_s.get(name, 0.0),
            terms[name].slower_by_s,
            thermometer,
            _zeroed_ns(events, signals[name], base),
        )
        for name in verdicts
    }
    return WholeRide(
        responses=responses,
        sprints=compare_sprints(signals, segments, base.name, terms),
        effects=effects,
        scale_offsets={name: _scale_offset(name, base.name, results) for name in verdicts},
        packet_checks=packets,
        cadence=cadence,
    )


def _new_links_ns(events: Sequence[Row], sensor: str) -> list[int]:
    return [row.host_ns for row in events if row.event == Event.LINK_FOUND and row.sensor == sensor]


def _zeroed_ns(events: Sequence[Row], *pair: MeterSignal) -> list[int]:
    """When one of the two had its zero offset done; what was asked of others, or in vain, starts no drift anew."""
    streams = {stream.sensor for signal in pair for stream in signal.samples}
    answers = (row for row in events if row.event == Event.ZERO_ANSWERED and row.sensor in streams)
    return [row.host_ns for row in answers if row.detail.get("result") == "done"]


def _terms(verdict: RideVerdict, response: ResponseTime, setup: Setup) -> SprintTerms:
    """Sprints answer to the tolerance and the chain of the steady segments, and to the smoothing seen in surges."""
    return SprintTerms(
        tolerance_pct=verdict.judgement.tolerance_pct,
        lag_s=setup.lags_s.get(verdict.meter, 0.0),
        slower_by_s=response.slower_by_s,
        expectation=verdict.expectation,
    )


def _scale_offset(meter: str, reference: str, results: Sequence[SegmentMetrics]) -> ScaleOffset:
    told = [
        r for r in results if r.segment.step_kind not in APART and not r.comparisons[meter].difference_pct.too_short
    ]
    return scale_and_offset(
        [r.comparisons[meter].reference_w for r in told],
        [r.meters[reference].mean_cadence_rpm for r in told],
        [r.comparisons[meter].mean_difference_w for r in told],
        [r.comparisons[meter].half_width_w for r in told],
    )
