"""What several test modules share: one ride of the demo, recorded once."""

from __future__ import annotations

from pathlib import Path

import pytest

from simulated_sensors.demo import DemoOptions, run_demo


@pytest.fixture(scope="session")
def demo_recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The Quayside ride of seed 1 as a file; treat it as read-only."""
    folder = tmp_path_factory.mktemp("demo-ride")
    summary = run_demo(DemoOptions(folder, speed=1e5), lambda words: None, lambda words: None)
    assert summary.recording is not None
    return summary.recording
