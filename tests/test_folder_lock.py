"""One recorder for each folder, whatever becomes of the one before."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from recorder.errors import FolderInUse, FolderUnusable
from recorder.folder_lock import LOCK_NAME, FolderLock
from recorder.storage import SystemStorage
from tests.fake_storage import FakeStorage

HOLDER = """
import pathlib, sys
from recorder.folder_lock import FolderLock
from recorder.storage import SystemStorage
with FolderLock(pathlib.Path(sys.argv[1]), SystemStorage()):
    print("held", flush=True)
    sys.stdin.read()
"""


def lock(folder: Path, need_bytes: int = 0) -> FolderLock:
    return FolderLock(folder, SystemStorage(), need_bytes)


def hold_elsewhere(folder: Path) -> subprocess.Popen[bytes]:
    child = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        cwd=Path(__file__).resolve().parents[1],
    )
    assert child.stdout is not None
    assert child.stdout.readline() == b"held\n"
    return child


def test_a_missing_folder_is_made_and_the_lock_leaves_no_trace(tmp_path: Path) -> None:
    folder = tmp_path / "rides"
    with lock(folder):
        assert (folder / LOCK_NAME).read_text() == str(os.getpid())
    assert list(folder.iterdir()) == []


def test_a_second_recorder_is_told_who_holds_the_folder(tmp_path: Path) -> None:
    with hold_elsewhere(tmp_path) as child:
        with pytest.raises(FolderInUse, match=f"process {child.pid}:"), lock(tmp_path):
            pass
        child.communicate(b"")
    with lock(tmp_path):
        pass


def test_a_killed_recorder_holds_nothing(tmp_path: Path) -> None:
    with hold_elsewhere(tmp_path) as child:
        child.send_signal(signal.SIGKILL)
        child.wait()
    assert (tmp_path / LOCK_NAME).exists()
    with lock(tmp_path):
        assert (tmp_path / LOCK_NAME).read_text() == str(os.getpid())


def test_a_lock_file_with_foreign_content_is_harmless(tmp_path: Path) -> None:
    (tmp_path / LOCK_NAME).write_bytes(b"\x1b[2J" * 1000)
    with lock(tmp_path):
        assert (tmp_path / LOCK_NAME).read_text() == str(os.getpid())
        (tmp_path / LOCK_NAME).write_bytes(b"\x1b[2J\xff")
        with pytest.raises(FolderInUse, match="process unknown"), lock(tmp_path):
            pass


def test_a_lock_on_a_file_removed_meanwhile_counts_for_nothing(tmp_path: Path) -> None:
    class SlowLock(FolderLock):
        """Between its opening and its locking, the last holder leaves."""

        attempts = 0

        def _lock_file(self, fd: int) -> None:
            self.attempts += 1
            if self.attempts == 1:
                (tmp_path / LOCK_NAME).unlink()
            super()._lock_file(fd)

    late = SlowLock(tmp_path, SystemStorage())
    with late:
        assert late.attempts == 2
        with pytest.raises(FolderInUse), lock(tmp_path):
            pass


def test_a_lock_file_of_somebody_else_is_left_alone_at_the_end(tmp_path: Path) -> None:
    with lock(tmp_path):
        (tmp_path / LOCK_NAME).unlink()
        (tmp_path / LOCK_NAME).write_text("other")
    assert (tmp_path / LOCK_NAME).read_text() == "other"


def test_a_folder_whose_parent_is_missing_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FolderUnusable, match="is missing"), lock(tmp_path / "no" / "rides"):
        pass


def test_a_file_in_the_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "rides").touch()
    with pytest.raises(FolderUnusable, match="it is a file, not a folder"), lock(tmp_path / "rides"):
        pass


def test_a_folder_that_takes_no_files_is_refused(tmp_path: Path) -> None:
    if sys.platform != "linux":
        pytest.skip("only Linux has a folder that refuses files even to root")
    with pytest.raises(FolderUnusable, match="nothing can be written in /proc"), lock(Path("/proc")):
        pass


def test_too_little_space_is_refused_with_figures(tmp_path: Path) -> None:
    storage = FakeStorage(capacity_bytes=150_000_000)
    with pytest.raises(FolderUnusable, match="150 MB free and a ride needs 200 MB"):
        FolderLock(tmp_path, storage, need_bytes=200_000_000).__enter__()
    with FolderLock(tmp_path, storage, need_bytes=150_000_000):
        pass
