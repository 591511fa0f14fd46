"""What the reconnection machine asks for, why a connection can fail, and all its waiting times."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Trouble(Enum):
    """Why a connection could not be made."""

    TIMED_OUT = "timed out"
    BUSY = "the Bluetooth service says it is busy with this sensor"
    ABORTED = "the radio gave up while connecting"
    VANISHED = "the Bluetooth service has forgotten it again"
    UNREADABLE = "its services could not be read"
    WRONG_SENSOR = "it is not the wanted sensor"
    DROPPED = "the link fell before any data came"
    SERVICE = "the Bluetooth service did not answer"
    OTHER = "connecting failed"


@dataclass(frozen=True)
class Timings:
    """All waiting times in seconds. The back-off steps carry up to 20 % of jitter on top."""

    connect_s: float = 10.0
    subscribe_s: float = 10.0
    read_s: float = 5.0
    release_s: float = 5.0
    close_s: float = 2.5
    zero_offset_s: float = 30.0
    backoff_s: tuple[float, ...] = (1.0, 2.0, 4.0, 8.0, 15.0, 30.0)
    fresh_s: float = 8.0  # an older advertisement may belong to a device the service is about to forget
    burst_s: float = 6.0
    pause_s: float = 10.0  # between scans at most, while some sensor is linked: scanning delays its packets
    short_pause_s: float = 1.0
    name_settle_s: float = 3.0  # so long must a name stay the only one of its kind
    tick_s: float = 0.25
    standstill_s: float = 2.0
    silent_s: float = 3.0
    renew_s: float = 10.0
    longest_quiet_s: float = 120.0  # even a sensor at rest that answers is reconnected after so long without data
    not_seen_s: float = 20.0


@dataclass(frozen=True, slots=True)
class DataAge:
    """How long a sensor has been silent, its usual interval, and whether its last data said that nobody pedals."""

    silent_s: float
    interval_s: float | None
    resting: bool


@dataclass(frozen=True, slots=True)
class StartScan:
    pass


@dataclass(frozen=True, slots=True)
class StopScan:
    pass


@dataclass(frozen=True, slots=True)
class Connect:
    sensor: str
    attempt: int


@dataclass(frozen=True, slots=True)
class Release:
    """Disconnect and clean up, even where the link is already gone; `forget`: have the service drop the device."""

    sensor: str
    forget: bool


@dataclass(frozen=True, slots=True)
class Probe:
    """Read something: a sensor that is alive and merely quiet will answer."""

    sensor: str


@dataclass(frozen=True, slots=True)
class TellLost:
    sensor: str
    reason: str


@dataclass(frozen=True, slots=True)
class TellWaiting:
    sensor: str
    reason: str
    next_try_s: float
    failures: int


@dataclass(frozen=True, slots=True)
class TellSilent:
    sensor: str
    silent_s: float


@dataclass(frozen=True, slots=True)
class TellRadio:
    words: str


Action = StartScan | StopScan | Connect | Release | Probe | TellLost | TellWaiting | TellSilent | TellRadio
