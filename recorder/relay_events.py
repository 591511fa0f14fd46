"""Which happenings of a relay are rows of the recording, and how those of its computer are told; no messages."""

from __future__ import annotations

from typing import Any

from analysis.report_page.event_words import event_words
from analysis.rows import Event, Row
from recorder.relay_receiver import RelayedEvent

OF_SENSORS = frozenset(
    {
        Event.LINK_FOUND,
        Event.LINK_LOST,
        Event.LINK_WAITING,
        Event.SILENT,
        Event.DUPLICATE_DROPPED,
        Event.ZERO_ASKED,
        Event.ZERO_ANSWERED,
        Event.IDENTIFIED,
        Event.BURST,
        Event.NOTE,
    }
)
OF_RELAYS = frozenset({Event.BLUETOOTH_SERVICE, Event.HOST_STOOD_STILL, Event.SUSPENDED, Event.NOTE})


def at_the_relay(relay: str, row: RelayedEvent) -> dict[str, Any]:
    """The detail of a `relay` event, of what befell its computer."""
    said = event_words(Row(0, "event", event=row.event, detail=row.detail))
    return {**row.detail, "relay": relay, "state": row.event, "words": f"at relay {relay}: {said}"}
