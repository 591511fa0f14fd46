"""What happened during a recording, each event in one phrase; details may come from devices, as they are."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from analysis.report_page.number_text import UNKNOWN, number
from analysis.rows import Event, Row

Detail = Mapping[str, Any]


def event_words(row: Row) -> str:
    say = _WORDS.get(str(row.event))
    detail = row.detail
    return say(detail) if say is not None else str(detail.get("words") or detail.get("text") or row.event)


def _number(value: Any) -> str:
    return number(value) if isinstance(value, int | float) else UNKNOWN


def _stood_still(detail: Detail) -> str:
    return f"the computer stood still for {_number(detail.get('still_s'))} s: what came in meanwhile is dated late"


def _not_understood(detail: Detail) -> str:
    return f"a packet of {detail.get('characteristic', UNKNOWN)} not understood: {detail.get('reason', '')}"


def _relay_clock(detail: Detail) -> str:
    doubt_ns, drift = detail.get("half_width_ns"), _number(detail.get("drift_ppm"))
    doubt = f"{doubt_ns / 1e6:.1f}" if isinstance(doubt_ns, int | float) else UNKNOWN
    return f"relay {detail.get('relay', UNKNOWN)}: its clock is known to ± {doubt} ms, drifting by {drift} ppm"


def _lag_adopted(detail: Detail) -> str:
    trails = f"{detail.get('meter', UNKNOWN)} trails by {_number(detail.get('lag_s'))} s: taken out"
    return str(detail.get("words") or trails)


def _zero_answered(detail: Detail) -> str:
    return f"zero offset: {detail.get('words') or detail.get('result', '')}"


_WORDS: Mapping[str, Callable[[Detail], str]] = {
    Event.LINK_FOUND: lambda d: f"linked, signal {d.get('rssi_dbm', UNKNOWN)} dBm",
    Event.LINK_LOST: lambda d: f"link lost: {d.get('reason', 'no reason told')}",
    Event.LINK_WAITING: lambda d: f"waiting: {d.get('reason', 'no reason told')}",
    Event.SILENT: lambda d: f"linked, but silent for {_number(d.get('silent_s'))} s",
    Event.HOST_STOOD_STILL: _stood_still,
    Event.SUSPENDED: lambda d: f"the computer slept for {_number(d.get('asleep_s'))} s",
    Event.BURST: lambda d: f"{d.get('count', UNKNOWN)} packets came at once, held up by the radio",
    Event.NOT_UNDERSTOOD: _not_understood,
    Event.ZERO_ASKED: lambda _: "zero offset asked",
    Event.ZERO_ANSWERED: _zero_answered,
    Event.PAUSED: lambda d: f"paused on its device for {_number(d.get('paused_s'))} s",
    Event.LAG_ADOPTED: _lag_adopted,
    Event.STEP_SKIPPED: lambda d: f"step of the plan skipped: {d.get('step_id', '')}",
    Event.RELAY_CLOCK: _relay_clock,
    Event.RECOVERED: lambda _: "recovered after an interruption",
    Event.FINISHED: lambda d: f"recording ended by {d.get('reason', UNKNOWN)}",
}
