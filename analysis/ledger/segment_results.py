"""What is kept of a judged ride, as one small table: a row for the ride, one per meter, one per meter and segment."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pyarrow as pa

from analysis.bench_file import Meter, meter_streams
from analysis.comparison import Comparison
from analysis.judge import Judged
from analysis.meter_figures import MeterFigures
from analysis.recording_reader import Recording
from analysis.ride_verdict import RideVerdict
from analysis.rows import Event
from analysis.safe_text import safe_text
from analysis.segments import Segment
from analysis.verdict import Judgement
from analysis.version import product_version

RESULTS_VERSION = 1
RESULTS_KEY = b"wattproof_results"
PRODUCT_KEY = b"wattproof_version"
RIDE, METER, SEGMENT = "ride", "meter", "segment"
LONGEST_TEXT = 200

_TEXT, _NUMBER, _WHOLE, _FLAG = pa.string(), pa.float64(), pa.int64(), pa.bool_()
_ZERO = pa.struct([("at_s", _NUMBER), ("result", _TEXT), ("raw", _NUMBER), ("unit", _TEXT), ("offset_nm", _NUMBER)])
_PART = pa.struct(
    [("name", _TEXT), ("mass_g", _NUMBER), ("claimed_mass_g", _NUMBER), ("price", _NUMBER), ("currency", _TEXT)]
)
_RIDE_FIELDS = {
    "row": _TEXT,
    "session": _TEXT,
    "sha256": _TEXT,
    "recording": _TEXT,  # the file's name in the ledger
    "start_utc_ns": _WHOLE,
    "length_s": _NUMBER,
    "bench": _TEXT,
    "plan": _TEXT,
    "clean": _FLAG,
    "meters": _WHOLE,
    "drivetrain": _TEXT,
    "loss_pct": _NUMBER,
    "loss_sd_pct": _NUMBER,
    "drag_nm": _NUMBER,
    "drag_sd_nm": _NUMBER,
    "floor_w": _NUMBER,
}
_METER_FIELDS = {
    "meter": _TEXT,
    "unit": _TEXT,
    "place": _TEXT,
    "sides": _TEXT,
    "claim_pct": _NUMBER,
    "model": _TEXT,
    "serial": _TEXT,
    "firmware": _TEXT,
    "reference": _TEXT,
    "reference_unit": _TEXT,
    "reference_firmware": _TEXT,
    "reference_place": _TEXT,
}
_UNIT_FIELDS = {
    "expected_firmware": _TEXT,
    "claimed_battery_h": _NUMBER,
    "mounted": _TEXT,
    "battery_first_pct": _NUMBER,
    "battery_last_pct": _NUMBER,
    "temperature_c": _NUMBER,
    "zero_offsets": pa.list_(_ZERO),
    "parts": pa.list_(_PART),
    "reason": _TEXT,
    "segments_judged": _WHOLE,
    "more_segments_to_decide": _WHOLE,
    "sprints": _WHOLE,
    "sprints_away_pct": _NUMBER,
    "sprints_verdict": _TEXT,
}
_SEGMENT_FIELDS = {
    "segment_no": _WHOLE,
    "segment": _TEXT,
    "repeat_no": _WHOLE,
    "step_kind": _TEXT,
    "posture": _TEXT,
    "judged_s": _NUMBER,
}
_FIGURES = (
    "mean_power_w",
    "work_kj",
    "greatest_1s_w",
    "greatest_5s_w",
    "mean_cadence_rpm",
    "mean_torque_nm",
    "left_share_pct",
    "coverage_pct",
    "gaps",
)
_COMPARED_FIELDS = {
    "compared_s": _NUMBER,
    "reference_w": _NUMBER,
    "difference_pct": _NUMBER,
    "long_run_variance_pct2_s": _NUMBER,
    "degrees_of_freedom": _NUMBER,
    "too_short": _FLAG,
    "expected_ratio": _NUMBER,
    "expected_sd_pct": _NUMBER,
    "away_pct": _NUMBER,
    "away_half_width_pct": _NUMBER,
    "tolerance_pct": _NUMBER,
    "verdict": _TEXT,
}
FIELDS: Mapping[str, pa.DataType] = {
    **_RIDE_FIELDS,
    **_METER_FIELDS,
    **_UNIT_FIELDS,
    **_SEGMENT_FIELDS,
    **dict.fromkeys(_FIGURES, _NUMBER),
    "balance_reference": _TEXT,  # "left": whose share left_share_pct is; null where the meter does not say
    **_COMPARED_FIELDS,
}
FIELDS_OF: Mapping[str, tuple[str, ...]] = {
    RIDE: tuple(_RIDE_FIELDS),
    METER: tuple(name for name in FIELDS if name not in _SEGMENT_FIELDS),
    SEGMENT: tuple(name for name in FIELDS if name not in _UNIT_FIELDS),
}
_ABOUT = {RESULTS_KEY: str(RESULTS_VERSION).encode(), PRODUCT_KEY: product_version().encode()}
SCHEMA = pa.schema(list(FIELDS.items()), metadata=_ABOUT)


def session_of(session_id: str) -> str:
    """Harmless as text, and short; an unusual one becomes its digest."""
    plain = len(session_id) <= 64 and session_id.isascii() and session_id.replace("-", "").isalnum()
    return session_id if plain else hashlib.sha256(session_id.encode()).hexdigest()[:32]


def segment_results(recording: Recording, judged: Judged, sha256: str, file_name: str) -> pa.Table:
    """One row per entity of `FIELDS`; what does not belong to it, or cannot be said, is null."""
    ride = {**_ride(recording), "sha256": sha256, "recording": file_name}
    about = {m.name: m for m in recording.bench.meter}
    facts = {name: _meter(meter, about.get(str(judged.reference)), recording) for name, meter in about.items()}
    rows: list[dict[str, Any]] = [{**ride, "row": RIDE}]
    for name, meter in about.items():
        of_unit = _unit(meter, recording)
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


def _known(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _known(v) for key, v in value.items()}
    if isinstance(value, list):
        return [_known(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return safe_text(value, LONGEST_TEXT) if isinstance(value, str) else value


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
        "parts": [{name: getattr(part, name) for name in _PART.names} for part in meter.parts],
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
    numbers = {name: float(getattr(figures, name)) for name in _FIGURES}
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
