"""What is kept of a judged ride, as one small table: a row for the ride, one per meter, one per meter and segment."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable
from typing import Any

import numpy as np
import pyarrow as pa

from analysis.amendments import change_words
from analysis.bench_file import Meter, meter_streams
from analysis.comparison import Comparison
from analysis.judge import Judged
from analysis.ledger.results_schema import FIGURES, METER, PART, RIDE, SCHEMA, SEGMENT
from analysis.meter_figures import MeterFigures
from analysis.recording_reader import Recording
from analysis.ride_verdict import RideVerdict
from analysis.rows import Event
from analysis.safe_text import safe_text
from analysis.segments import Segment
from analysis.verdict import Judgement

LONGEST_TEXT, LONGEST_CHANGE = 200, 600


def session_of(session_id: str) -> str:
    """Harmless as text, and short; an unusual one becomes its digest."""
    plain = len(session_id) <= 64 and session_id.isascii() and session_id.replace("-", "").isalnum()
    return session_id if plain else hashlib.sha256(session_id.encode()).hexdigest()[:32]


def segment_results(recording: Recording, judged: Judged, sha256: str, file_name: str) -> pa.Table:
    """One row per entity of `FIELDS`; what does not belong to it, or cannot be said, is null."""
    amended = recording.amendments
    ride = {**_ride(recording), "sha256": sha256, "recording": file_name}
    ride |= {"amendments_sha256": None if amended is None else amended.sha256}
    changes = {"amendments": [] if amended is None else [change_words(change) for change in amended.changes]}
    about = {m.name: m for m in recording.bench.meter}
    facts = {name: _meter(meter, about.get(str(judged.reference)), recording) for name, meter in about.items()}
    rows: list[dict[str, Any]] = [{**ride, **changes, "row": RIDE}]
    for name, meter in about.items():
        of_unit = {**_unit(meter, recording), **changes, **_as_recorded((judged.as_recorded or {}).get(name))}
        figures, verdict = judged.ride.meters.get(name), judged.verdicts.get(name)
        sprints = {} if judged.whole.sprints is None else _sprints(judged.whole.sprints.judgements.get(name))
        compared = {} if verdict is None else _verdict(verdict)
        rows.append({**ride, **facts[name], **of_unit, **_figures(figures), **sprints, **compared, "row": METER})
    for result in judged.segments:
        for name, figures in result.meters.items():
            if name in about:
                comparison = result.comparisons.get(name)
                compared = {} if comparison is None else _comparison(comparison)
                stretch = _segment(result.segment)
                rows.append({**ride, **facts[name], **stretch, **_figures(figures), **compared, "row": SEGMENT})
    return pa.Table.from_pylist([_known(row) for row in rows], schema=SCHEMA)


def _known(value: Any, limit: int = LONGEST_TEXT) -> Any:
    if isinstance(value, dict):
        return {key: _known(v, LONGEST_CHANGE if key == "amendments" else limit) for key, v in value.items()}
    if isinstance(value, list):
        return [_known(v, limit) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return safe_text(value, limit) if isinstance(value, str) else value


def _ride(recording: Recording) -> dict[str, Any]:
    metadata, train = recording.metadata, recording.bench.drivetrain
    anchors = metadata.utc_anchors
    return {
        "session": session_of(metadata.session_id),
        "start_utc_ns": anchors[0][1] - anchors[0][0] if anchors else None,
        "length_s": recording.end_ns / 1e9,
        "bench": recording.bench.bench.name,
        "plan": (metadata.plan or {}).get("plan", {}).get("name"),
        "clean": metadata.finish is not None and metadata.finish.clean,
        "meters": len(recording.bench.meter),
        "drivetrain": train.id,
        "loss_pct": train.loss_pct,
        "loss_sd_pct": train.loss_sd_pct,
        "drag_nm": train.drag_nm,
        "drag_sd_nm": train.drag_sd_nm,
        "floor_w": recording.bench.bench.floor_w,
    }


def _said(meter: Meter, key: str, recording: Recording) -> str | None:
    """What the sensor says of itself, the last time it was asked."""
    streams = meter_streams(meter)
    events = (e for e in reversed(recording.events) if e.event == Event.IDENTIFIED and e.sensor in streams)
    found = next((e.detail[key] for e in events if e.detail.get(key)), None)
    found = found or next((s[key] for n in streams if (s := recording.metadata.sensors.get(n, {})).get(key)), None)
    return None if found is None else str(found)


def _meter(meter: Meter, base: Meter | None, recording: Recording) -> dict[str, Any]:
    other = base if base is not None and base.name != meter.name else None
    return {
        "meter": meter.name,
        "unit": meter.unit,
        "place": meter.place,
        "sides": meter.sides,
        "claim_pct": meter.claim_pct,
        "model": _said(meter, "model", recording) or meter.model,
        "serial": _said(meter, "serial", recording) or meter.serial,
        "firmware": _said(meter, "firmware_revision", recording),
        "reference": other and other.name,
        "reference_unit": other and other.unit,
        "reference_firmware": other and _said(other, "firmware_revision", recording),
        "reference_place": other and other.place,
    }


def _unit(meter: Meter, recording: Recording) -> dict[str, Any]:
    streams = [recording.samples[name] for name in meter_streams(meter) if name in recording.samples]
    battery = next((s.battery_pct.values for s in streams if len(s.battery_pct)), np.empty(0))
    once = _said(meter, "battery_pct", recording)
    told = float(once) if once is not None and once.replace(".", "", 1).isdigit() else None
    thermometers = [
        *streams,
        *(recording.samples[s.name] for s in recording.bench.sensor if s.name in recording.samples),
    ]
    warmth = next((s.temperature_c.values for s in thermometers if len(s.temperature_c)), None)
    return {
        "expected_firmware": meter.expected_firmware,
        "claimed_battery_h": meter.claimed_battery_h,
        "mounted": meter.mounted and meter.mounted.isoformat(),
        "battery_first_pct": float(battery[0]) if battery.size else told,
        "battery_last_pct": float(battery[-1]) if battery.size else told,
        "temperature_c": None if warmth is None else float(warmth.mean()),
        "zero_offsets": list(_zero_offsets(meter, recording)),
        "parts": [{name: getattr(part, name) for name in PART.names} for part in meter.parts],
    }


def _zero_offsets(meter: Meter, recording: Recording) -> Iterable[dict[str, Any]]:
    for row in recording.events:
        if row.event == Event.ZERO_ANSWERED and row.sensor in meter_streams(meter):
            numbers = {name: _number(row.detail.get(name)) for name in ("raw", "offset_nm")}
            words = {name: str(said) for name in ("result", "unit") if (said := row.detail.get(name)) is not None}
            yield {"at_s": row.host_ns / 1e9, **words, **numbers}


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _figures(figures: MeterFigures | None) -> dict[str, Any]:
    if figures is None:
        return {}
    numbers = {name: float(getattr(figures, name)) for name in FIGURES}
    return {**numbers, "balance_reference": figures.balance_reference}


def _segment(segment: Segment) -> dict[str, Any]:
    return {
        "segment_no": segment.segment_no,
        "segment": segment.name,
        "repeat_no": segment.repeat_no,
        "step_kind": segment.step_kind,
        "posture": segment.posture,
        "judged_s": segment.judged_s,
    }


def _sprints(judgement: Judgement | None) -> dict[str, Any]:
    if judgement is None or not judgement.repeats:
        return {}
    return {
        "sprints": judgement.repeats,
        "sprints_away_pct": judgement.away_pct,
        "sprints_verdict": judgement.word,
    }


def _verdict(verdict: RideVerdict) -> dict[str, Any]:
    judgement = verdict.judgement
    return {
        "difference_pct": verdict.difference_pct,
        "expected_ratio": verdict.expectation.ratio,
        "expected_sd_pct": verdict.expected_sd_pct,
        "away_pct": judgement.away_pct,
        "away_half_width_pct": judgement.half_width_pct,
        "tolerance_pct": judgement.tolerance_pct,
        "verdict": judgement.word,
        "reason": judgement.reason or None,
        "segments_judged": judgement.repeats,
        "more_segments_to_decide": judgement.more_repeats,
    }


def _as_recorded(verdict: RideVerdict | None) -> dict[str, Any]:
    if verdict is None:
        return {}
    return {
        "as_recorded_verdict": verdict.judgement.word,
        "as_recorded_away_pct": verdict.judgement.away_pct,
        "as_recorded_away_half_width_pct": verdict.judgement.half_width_pct,
    }


def _comparison(comparison: Comparison) -> dict[str, Any]:
    away, difference = comparison.away_pct, comparison.difference_pct
    return {
        "compared_s": float(comparison.seconds),
        "reference_w": comparison.reference_w,
        "difference_pct": difference.mean,
        "long_run_variance_pct2_s": difference.long_run_variance,
        "degrees_of_freedom": difference.degrees_of_freedom,
        "too_short": difference.too_short,
        "expected_ratio": comparison.expectation.ratio,
        "expected_sd_pct": comparison.expectation.loss_sd_pct,
        "away_pct": away.mean,
        "away_half_width_pct": away.half_width,
        "tolerance_pct": None if comparison.tolerance is None else comparison.tolerance.pct,
        "verdict": comparison.word,
    }
