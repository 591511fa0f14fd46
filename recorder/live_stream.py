"""From one snapshot of a ride to one JSON message for an overlay on a picture; computes no figure, knows no broker.

The message is described by `schemas/live.json`. What cannot be said at an instant is null, never NaN.
"""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from typing import Any

from analysis.safe_text import file_slug
from recorder.live_snapshot import Against, MeterView, PlanView, Snapshot

SCHEMA = 1


def topic_base(bench_name: str) -> str:
    """Below it lie all topics of one bench."""
    return f"wattproof/{file_slug(bench_name).replace('.', '-')[:32]}"


def live_json(snapshot: Snapshot, sent_utc_ns: int) -> bytes:
    """Compact, since it is sent twice a second."""
    message = live_message(snapshot, sent_utc_ns)
    return json.dumps(message, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode()


def live_message(snapshot: Snapshot, sent_utc_ns: int) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "bench": snapshot.bench,
        "recorded_s": round(snapshot.recorded_s, 2),
        "sent_utc": utc_text(sent_utc_ns),
        "state": "ended" if snapshot.ended else "finishing" if snapshot.finishing else "recording",
        "reference": snapshot.reference,
        "window_s": snapshot.window_s,
        "meters": [_meter(view) for view in snapshot.meters],
        "step": _step(snapshot.plan),
        "storage": snapshot.disk,
        "clock": snapshot.clock,
    }


def utc_text(utc_ns: int) -> str:
    """`2026-05-02T14:03:27.845Z`"""
    seconds, rest_ns = divmod(utc_ns, 10**9)
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%dT%H:%M:%S}.{rest_ns // 10**6:03d}Z"


def number(value: float, digits: int) -> float | None:
    return round(value, digits) if math.isfinite(value) else None


def _meter(view: MeterView) -> dict[str, Any]:
    return {
        "name": view.name,
        "place": view.place,
        "is_reference": view.is_reference,
        "link": view.link,
        "power_w": number(view.power_w, 1),
        "cadence_rpm": number(view.cadence_rpm, 1),
        "battery_pct": number(view.battery_pct, 0),
        "window": _against(view.window),
        "segment": _against(view.segment),
        "steady": _against(view.steady),
    }


def _against(against: Against | None) -> dict[str, Any] | None:
    if against is None:
        return None
    return {
        "difference_w": number(against.difference_w, 2),
        "difference_pct": number(against.difference_pct, 2),
        "away_pct": number(against.away_pct, 2),
        "half_width_pct": number(against.half_width_pct, 2),
        "tolerance_pct": number(against.tolerance_pct, 2),
        "verdict": against.word,
        "why_not": against.why_not,
        "seconds": against.seconds,
    }


def _step(plan: PlanView | None) -> dict[str, Any] | None:
    """None where nothing is being ridden by a plan; a rest between two steps has no name."""
    if plan is None or (plan.step is None and not plan.resting):
        return None
    step = plan.step
    return {
        "name": None if step is None else step.name,
        "kind": None if step is None else step.kind,
        "target_w": None if step is None or step.target_w is None else number(step.target_w, 1),
        "target_cadence_rpm": None if plan.target_cadence_rpm is None else number(plan.target_cadence_rpm, 1),
        "elapsed_s": number(plan.elapsed_s, 1),
        "left_s": number(plan.left_s, 1),
        "until_decided": plan.until_decided,
        "resting": plan.resting,
        "announce": plan.announce,
        "caution": plan.caution,
    }
