"""The live screen on a running recording: the recorder's word, its journal and the terminal, put together."""

from __future__ import annotations

from recorder.control_client import ControlClient
from recorder.host_clock import SystemClock
from recorder.live_view import LiveView
from recorder.terminal.app import run_screen


def live_screen(client: ControlClient, owner: bool) -> int:
    """The exit status, once the ride has ended or somebody has left. `owner`: leaving it ends the recording."""
    view = LiveView(client, SystemClock())
    return run_screen(view.next_snapshot, client.ask, owner, view.choose)
