"""From gathered rows and the recorder's word to what a screen shows; figures and verdicts come from analysis."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from analysis.bench_file import Bench, Meter, Sensor, bench_from_dict, meter_streams
from analysis.comparison import Setup, setup_of
from analysis.grid import HeldSignal
from analysis.live_judgement import Judged, segment_against
from analysis.meter_signal import MeterSignal, bench_signals
from analysis.plan_file import Plan, plan_from_dict
from analysis.report_page.event_words import event_words
from analysis.ride_lag import adopted_lags
from analysis.row_samples import SampleGatherer, samples_since
from analysis.rows import Event
from analysis.safe_text import safe_text
from analysis.samples import SensorSamples
from analysis.segment_metrics import SegmentMetrics
from recorder.control_words import Tell
from recorder.live_snapshot import Health, LinkState, MeterView, SegmentRow, Snapshot
from recorder.plan_view import plan_view
from recorder.ride_so_far import Link, RideSoFar, with_said
from recorder.running_figures import REACH_NS, TREND_STEP_S, FigureMaker, RunningFigures

WINDOWS_S = (10, 30, 60, 180)
SILENT_S = 4.0
QUIET_S = 120.0  # a thermometer may speak only when the temperature changes
BACK_S = 10.0
CLOCK_TOLD_S = 60.0
UNUSABLE_STILL_S = 2.5
# Of two radios the worse one counts.
_WORST_FIRST: tuple[LinkState, ...] = ("lost", "waiting", "silent", "back", "live")
_SIDES = {"left": "left side, doubled", "right": "right side, doubled", "inferred": "left and right inferred"}


class SnapshotMaker:
    """One per followed recording. The same rows, words and instant always give the same snapshot."""

    def __init__(self) -> None:
        self._so_far = RideSoFar()
        self._figures = FigureMaker()
        self._of: SampleGatherer | None = None
        self._read: tuple[Mapping[str, object], Bench] | None = None
        self._planned: tuple[Mapping[str, object], Plan] | None = None
        self._listed: tuple[Judged, tuple[SegmentRow, ...]] | None = None

    def snapshot(
        self, gatherer: SampleGatherer, tell: Tell, now_ns: int, window_s: int = 30, reference: str | None = None
    ) -> Snapshot:
        """`reference` as chosen on this screen, else as the recorder has it.

        :raises analysis.errors.BadInput: for a bench or plan that is none.
        """
        if gatherer is not self._of:
            self._of, self._so_far, self._figures = gatherer, RideSoFar(), FigureMaker()
        self._so_far.take(gatherer.events)
        bench, plan = self._bench(tell), self._plan(tell)
        setup = setup_of(bench, reference or tell.reference)
        setup = replace(setup, lags_s=adopted_lags(self._so_far.lag_rows, setup.reference))
        figures = self._figures.figures(
            gatherer, bench, setup, self._so_far.segment_rows, now_ns, window_s=window_s, has_plan=plan is not None
        )
        clock, clock_words = _clock(self._so_far, now_ns)
        return Snapshot(
            bench=bench.bench.name,
            recorded_s=now_ns / 1e9,
            reference=setup.reference,
            window_s=window_s,
            trend_step_s=float(TREND_STEP_S),
            meters=_meter_views(gatherer, bench, self._so_far, setup, figures, now_ns),
            plan=None if plan is None else plan_view(plan, tell, now_ns / 1e9),
            segments=self._segment_rows(figures),
            messages=with_said(self._so_far.messages, tell.said),
            disk=_disk(tell),
            disk_words=safe_text(tell.storage_words, 200),
            clock=clock,
            clock_words=clock_words,
            recording=tell.recording or (tell.journals[0] if tell.journals else ""),
            finishing=tell.finishing,
            ended=tell.ended,
            ended_words=tell.ended_words,
            zero_answers=dict(self._so_far.zero_answers),
            question=tell.question,
        )

    def _segment_rows(self, figures: RunningFigures) -> tuple[SegmentRow, ...]:
        if self._listed is None or self._listed[0] is not figures.finished:
            rows = tuple(_segment_row(r, running=False) for r in figures.finished.results)
            self._listed = (figures.finished, rows)
        return self._listed[1] + tuple(_segment_row(r, running=True) for r in figures.running.results)

    def _bench(self, tell: Tell) -> Bench:
        if self._read is None or self._read[0] != tell.bench:
            self._read = (tell.bench, bench_from_dict(tell.bench))
        return self._read[1]

    def _plan(self, tell: Tell) -> Plan | None:
        if tell.plan is None:
            return None
        if self._planned is None or self._planned[0] != tell.plan:
            self._planned = (tell.plan, plan_from_dict(tell.plan))
        return self._planned[1]


def _meter_views(
    gatherer: SampleGatherer, bench: Bench, so_far: RideSoFar, setup: Setup, figures: RunningFigures, now_ns: int
) -> tuple[MeterView, ...]:
    samples = gatherer.samples()
    lately = bench_signals(bench, {n: samples_since(s, now_ns - REACH_NS) for n, s in samples.items()})
    views = []
    devices: tuple[Meter | Sensor, ...] = (*bench.meter, *bench.sensor)
    for device in devices:
        streams = meter_streams(device) if isinstance(device, Meter) else (device.name,)
        quiet_s = QUIET_S if isinstance(device, Sensor) and device.kind == "temperature" else SILENT_S
        links = [_link(stream, gatherer, so_far, now_ns, quiet_s) for stream in streams]
        link = min(links, key=_WORST_FIRST.index)
        heard = [gatherer.heard_ns(stream) or 0 for stream in streams]
        signal, judged = lately.get(device.name), figures.meters.get(device.name)
        views.append(
            MeterView(
                name=device.name,
                place=device.place if isinstance(device, Meter) else device.kind,
                is_reference=device.name == setup.reference,
                judged=isinstance(device, Meter),
                link=link,
                silent_s=max((now_ns - min(heard)) / 1e9, 0.0),
                power_w=_now(signal.power if signal else None, now_ns),
                cadence_rpm=_now(signal.cadence if signal else None, now_ns),
                left_share_pct=_now(signal.balance if signal else None, now_ns),
                battery_pct=_battery(streams, samples, so_far),
                window=judged.window if judged else None,
                segment=judged.segment if judged else None,
                steady=judged.steady if judged else None,
                trend_pct=tuple(float(v) for v in figures.trend_pct.get(device.name, ())),
                note=_note(device, signal, link, streams, so_far, now_ns),
            )
        )
    return tuple(views)


def _link(stream: str, gatherer: SampleGatherer, so_far: RideSoFar, now_ns: int, quiet_s: float) -> LinkState:
    heard_ns, link = gatherer.heard_ns(stream), so_far.links.get(stream)
    if heard_ns is None:
        return "waiting"
    if link is not None and link.is_lost:
        return "lost"
    if now_ns - heard_ns > quiet_s * 1e9:
        return "silent"
    came_back_ns = link.found_ns if link is not None and link.lost_ns is not None else None
    return "back" if came_back_ns is not None and now_ns - came_back_ns < BACK_S * 1e9 else "live"


def _now(held: HeldSignal | None, now_ns: int) -> float:
    return math.nan if held is None else float(held.at([now_ns])[0])


def _battery(streams: Sequence[str], samples: Mapping[str, SensorSamples], so_far: RideSoFar) -> float:
    """Of two radios the emptier one."""
    known: list[float] = []
    for stream in streams:
        sent = samples[stream].battery_pct.values[-1:].tolist() if stream in samples else []
        known += sent or [so_far.battery_pct.get(stream, math.nan)]
    present = [k for k in known if math.isfinite(k)]
    return min(present) if present else math.nan


def _note(
    device: Meter | Sensor,
    signal: MeterSignal | None,
    link: LinkState,
    streams: Sequence[str],
    so_far: RideSoFar,
    now_ns: int,
) -> str:
    if link in ("waiting", "lost"):
        told = [so_far.links[s] for s in streams if s in so_far.links and so_far.links[s].reason]
        return _reason(told[0], now_ns) if told else ""
    if isinstance(device, Meter) and signal is not None and device.sides is not None:
        return _SIDES.get(device.sides, "")
    return ""


def _reason(link: Link, now_ns: int) -> str:
    if link.next_try_ns is None or link.next_try_ns <= now_ns:
        return link.reason
    return f"next try in {math.ceil((link.next_try_ns - now_ns) / 1e9)} s: {link.reason}"


def _segment_row(result: SegmentMetrics, *, running: bool) -> SegmentRow:
    segment = result.segment
    return SegmentRow(
        segment_no=segment.segment_no,
        name=safe_text(segment.name),
        seconds=(segment.stop_ns - segment.start_ns) / 1e9,
        running=running,
        mean_power_w={name: m.mean_power_w for name, m in result.meters.items() if math.isfinite(m.mean_power_w)},
        difference_pct={name: c.difference_pct.mean for name, c in result.comparisons.items()},
        word={name: segment_against(c, segment).word for name, c in result.comparisons.items()},
    )


def _disk(tell: Tell) -> Health:
    if tell.storage_well:
        return "well"
    return "watch" if tell.storage_words.startswith("disk slow") else "bad"


def _clock(so_far: RideSoFar, now_ns: int) -> tuple[Health, str]:
    row = so_far.clock_row
    if row is None or now_ns - row.host_ns > CLOCK_TOLD_S * 1e9:
        return "well", ""
    still_s = row.detail.get("still_s")
    short = row.event == Event.HOST_STOOD_STILL and isinstance(still_s, int | float) and still_s < UNUSABLE_STILL_S
    return "watch" if short else "bad", safe_text(event_words(row), 200)
